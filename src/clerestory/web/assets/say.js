// What the pages say, in their language. English stands in the code and is its own key; what another language has no
// words for is said as it stands.

const LANGUAGE = document.documentElement.lang;
const english = LANGUAGE.startsWith("en");
const { words = {}, told: sentences = [] } = english ? {} : await fetch(`/words.json?language=${LANGUAGE}`).then((answer) => answer.json(), () => ({}));

// For dates and times: the language of the page; English ones as the browser is set.
export const LOCALE = english ? [] : LANGUAGE;

// A word inside a sentence begins small in English; elsewhere it stays as it is.
export const inside = (text) => (english ? text.toLowerCase() : text);

const fill = (text, values) => text.replace(/^\[[^\]]*\] /, "").replace(/\{(\w+)\}/g, (gap, name) => (name in values ? values[name] : gap));

// A text that has two meanings begins with a note in brackets, which is not shown: say("[of the building] Room").
// A text, with what stands in braces filled in: say("{done} of {total}", { done, total }).
export const say = (text, values = {}) => fill([words[text] || text].flat()[0], values);

// A sentence that the server made, in English: said by the pattern that it was made by, such as "{view}: kept as {name}",
// where the server lists that. What is filled in is looked up in its turn, but for names that the user gave, and so are
// the parts of a list.
const gap = (name) => `(?<${name}>${name === "n" ? "\\d+" : name === "rest" ? ".+" : "(?:(?!; ).)+?"})`;
const pattern = (sentence) => new RegExp(`^${sentence.replace(/[.*+?^$()|[\]\\]/g, "\\$&").replace(/\{(\w+)\}/g, (_, name) => gap(name))}$`, "s");
const ofTheUser = new Set(["name", "view", "frame", "bag", "station", "lens", "folder", "files", "first", "second"]);
const heard = new Map();
let patterns = null;
export function told(text) {
  if (english || !text) return text;
  if (!heard.has(text)) heard.set(text, inWords(text));
  return heard.get(text);
}

function inWords(text) {
  const plain = text.replaceAll("\u00a0", " ");
  if (sentences.includes(plain)) return say(plain);
  if (/^[+−-]?\d+\.\d+ ?%?$/.test(plain)) return figure(plain);
  patterns ??= sentences.filter((s) => s.includes("{") && words[s]).map((s) => [s, pattern(s)]);
  for (const [sentence, form] of patterns) {
    const found = form.exec(plain);
    if (found) return say(sentence, Object.fromEntries(Object.entries(found.groups).map(([name, value]) => [name, ofTheUser.has(name) ? value : told(value)])));
  }
  if (plain.endsWith(".")) return `${told(plain.slice(0, -1))}.`;
  const between = ["; ", ". ", ": ", ", "].find((sign) => plain.includes(sign));
  return between ? plain.split(between).map(told).join(between) : text;
}

// The one of two texts that goes with a count `n`; another language has as many forms as its rule of plurals asks for.
const kinds = english ? null : new Intl.PluralRules(LANGUAGE);
export function few(one, many, n, values = {}) {
  const forms = words[one];
  if (!Array.isArray(forms)) return fill(n === 1 ? one : many, { n, ...values });
  const form = kinds.resolvedOptions().pluralCategories.indexOf(kinds.select(n));
  return fill(forms[Math.min(form, forms.length - 1)] || many, { n, ...values });
}

// A number with so many figures after the point, or the comma.
const POINT = english ? "." : new Intl.NumberFormat(LANGUAGE).formatToParts(1.5)[1].value;
export const decimal = (value, figures = 0) => value.toFixed(figures).replace(".", POINT);
export const figure = (value) => String(value).replace(".", POINT);
// What a person typed, with a point for the decimal sign.
export const pointed = (text) => (POINT === "." ? text : text.replace(/(\d),(\d)/g, "$1.$2"));
