// What every page shows of what goes on and of what stands in the way, whatever page it is.

import { button, el } from "./build.js";
import { say, told } from "./say.js";

const at = (id) => document.getElementById(id);

// Dark ground or light: as the system has it, or by choice, which this browser remembers.
const LOOK = "clerestory-look";
const LOOKS = { "": ["◐", say("Appearance: as the system has it")], light: ["○", say("Appearance: light")], dark: ["●", say("Appearance: dark")] };

function look(chosen) {
  if (chosen) document.documentElement.dataset.theme = chosen;
  else delete document.documentElement.dataset.theme;
  const [sign, words] = LOOKS[chosen];
  at("look").textContent = sign;
  at("look").title = words;
  at("look").setAttribute("aria-label", words);
}

function lookOn() {
  const order = Object.keys(LOOKS);
  const next = order[(order.indexOf(document.documentElement.dataset.theme ?? "") + 1) % order.length];
  try {
    if (next) localStorage.setItem(LOOK, next);
    else localStorage.removeItem(LOOK);
  } catch { /* for this page only */ }
  look(next);
}

// The language: chosen here, kept in a cookie, since the server says what stands on a page before any script runs.
function speak(language) {
  document.cookie = `clerestory-language=${language}; path=/; max-age=${400 * 86400}; SameSite=Strict`;
  location.reload();
}

export class Signs {
  constructor() {
    this.busy = new Map();
    this.problems = new Map();
    this.works = new Map();
    look(document.documentElement.dataset.theme ?? "");
    at("look").addEventListener("click", lookOn);
    at("language").addEventListener("change", () => speak(at("language").value));
    window.addEventListener("storage", (e) => { if (e.key === LOOK) look(e.newValue in LOOKS ? e.newValue : ""); });
  }

  note(what, words) {
    if (words) this.busy.set(what, words);
    else this.busy.delete(what);
    const text = [...this.busy.values()].join(" · ");
    if (at("status").textContent !== text) at("status").textContent = text;
  }

  // ---- long work: what, how far, and a way to break it off

  // `done` of `total`, where that can be told; `stop()` breaks it off. No words: it has ended.
  bar(key, words, { done, total, stop } = {}) {
    const old = this.works.get(key);
    if (!words) {
      old?.node.remove();
      this.works.delete(key);
      return;
    }
    const work = old ?? this.newBar(key);
    const share = total ? say(", {done} of {total}", { done, total }) : "";
    work.words.textContent = words + share;
    if (total) work.meter.value = done / total;
    else if (old?.counted) work.meter.removeAttribute("value");
    work.counted = Boolean(total);
    work.meter.setAttribute("aria-label", words);
    work.stop = stop;
    work.cancel.hidden = !stop;
  }

  newBar(key) {
    const work = { words: el("span", {}), meter: el("progress", { max: 1 }) };
    work.cancel = button(say("Break off"), () => { work.cancel.disabled = true; work.stop?.(); });
    work.node = el("div", {}, work.words, work.meter, work.cancel);
    this.works.set(key, work);
    at("works").append(work.node);
    return work;
  }

  // Frames that are being copied into the visit.
  importing({ state, done, total, said, keep }) {
    this.bar("import", state === "copying" ? say("importing frames") : "", { done, total, stop: this.stopImport && (() => this.stopImport()) });
    if (state === "failed") this.problem("import", `${told(said)}\n${told(keep)}`, [[say("Go to Import"), () => location.assign("/import")]]);
    else this.solved("import");
  }

  // ---- what stands in the way: it stays until it is solved or put away

  // `key` names the matter: said again it is said once. `actions`: [words, does] of buttons that solve it.
  problem(key, said, actions = []) {
    if (!said) return this.solved(key);
    this.problems.set(key, { said, actions });
    this.showProblems();
  }

  // A request that was refused. Of one that the server never answered nothing is said: that it has stopped is said
  // once, and no longer than it is so.
  refused(key, { message, gone }, actions = []) {
    if (!gone) this.problem(key, told(message), actions);
  }

  solved(key) {
    if (this.problems.delete(key)) this.showProblems();
  }

  trouble(words) {
    this.problem("said", words);
  }

  showProblems() {
    at("trouble").replaceChildren(...[...this.problems].map(([key, { said, actions }]) => el("div", {}, el("p", {}, said),
      button(say("Put away"), () => this.solved(key)),
      actions.length ? el("div", { class: "row" }, ...actions.map(([words, does]) => button(words, () => does()))) : null)));
  }
}
