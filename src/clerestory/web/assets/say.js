// What the pages say, in their language. English stands in the code and is its own key; what another language has no
// words for is said as it stands.

const LANGUAGE = document.documentElement.lang;
const english = LANGUAGE.startsWith("en");
const words = english ? {} : await fetch(`/words.json?language=${LANGUAGE}`).then((answer) => answer.json(), () => ({}));

// For dates and times: the language of the page; English ones as the browser is set.
export const LOCALE = english ? [] : LANGUAGE;

const fill = (text, values) => text.replace(/\{(\w+)\}/g, (gap, name) => (name in values ? values[name] : gap));

// A text, with what stands in braces filled in: say("{done} of {total}", { done, total }).
export const say = (text, values = {}) => fill([words[text] || text].flat()[0], values);

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
