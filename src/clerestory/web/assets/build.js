// Elements made in code: nothing from the server is ever read as markup, except its own drawings.

import { decimal, told } from "./say.js";

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "value" || name === "checked" || name === "disabled" || name === "selected" || name === "tabIndex") node[name] = value;
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

export const el = (tag, attributes = {}, ...children) => fill(document.createElement(tag), attributes, children);
export const svg = (tag, attributes = {}, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);

export function button(words, does, attributes = {}) {
  return el("button", { type: "button", onclick: does, ...attributes }, words);
}

// A drawing made by the server, as an element.
export function drawing(text) {
  const parsed = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
  parsed.querySelectorAll("text").forEach((node) => { if (!node.childElementCount) node.textContent = told(node.textContent); });
  if (parsed.hasAttribute("aria-label")) parsed.setAttribute("aria-label", told(parsed.getAttribute("aria-label")));
  return document.importNode(parsed, true);
}

// A view as a person knows it.
export const called = (view) => (view.title ? `${view.name}, ${view.title}` : view.name);

export const percent = (share, figures = 0) => `${decimal(100 * share, figures)}\u00a0%`;

// A name for what one hand does in one go: its changes are one step of undo, and no other window's are taken for it.
export const gesture = (what) => `${what}-${Date.now()}-${Math.random()}`;

export function debounce(work, ms) {
  let timer = 0;
  const later = (...args) => {
    clearTimeout(timer);
    timer = setTimeout(() => work(...args), ms);
  };
  later.cancel = () => clearTimeout(timer);
  return later;
}

// Of questions whose answers may come in another order the last counts: a call begins one, and gives what tells whether
// it is the last still.
export function inTurn() {
  let last = 0;
  return () => {
    const mine = (last += 1);
    return () => mine === last;
  };
}
