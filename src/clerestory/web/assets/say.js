// Words of the start page in the user's language; a text that it does not know is said as it stands.

const words = await fetch("/words.json").then((answer) => answer.json(), () => ({}));

export const say = (text) => words[text] || text;
