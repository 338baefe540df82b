// What stands round the pages of a visit: which is open, what goes on in the background, undo, keys.

import { button, debounce, el } from "./build.js";
import { Exports } from "./export.js";
import { Film } from "./film.js";
import { Finish } from "./finish.js";
import { Plan } from "./plan.js";
import { released } from "./pressed.js";
import { few, figure, say, told } from "./say.js";
import { Signs } from "./signs.js";
import { Sort } from "./sort.js";
import { TextDesk } from "./text.js";
import { Wire } from "./wire.js";

const PAGES = { plan: Plan, sort: Sort, finish: Finish, export: Exports, film: Film };
const at = (id) => document.getElementById(id);

// Whether single letters, digits and signs work as keys: who dictates, or strikes keys unawares, can switch them off
// (WCAG 2.2, success criterion 2.1.4).
const LETTERS = "clerestory-letter-keys";
const isLetter = (key) => key.length === 1 && key !== " ";
const remembered = () => {
  try { return localStorage.getItem(LETTERS) !== "off"; } catch { return true; }
};
const remember = (on) => {
  try { localStorage.setItem(LETTERS, on ? "on" : "off"); } catch { /* for this page only */ }
};

class House extends Signs {
  constructor() {
    super();
    this.wire = new Wire();
    this.visit = { views: [], frames: {}, queue: {}, done: [], sorting: {} };
    this.page = null;
    this.latencies = [];
    this.warps = [];
    window.clerestory = this;
    this.wire.on("link", (facts) => this.linked(facts));
    this.wire.on("sorting", (facts) => this.sorting(facts));
    this.wire.on("views", () => this.refresh());
    this.wire.on("queue", (facts) => this.queued(facts));
    this.wire.on("exporting", (facts) => this.exporting(facts));
    this.wire.on("making", (facts) => this.making(facts));
    this.wire.on("planning", ({ said, share }) => this.note("plan", share < 1 ? say("planning: {said}", { said: told(said) }) : ""));
    this.wire.on("opening", ({ view, said }) => this.note("opening", said ? `${view}: ${told(said)}` : ""));
    this.wire.on("work", (facts) => this.working(facts));
    this.wire.on("preview", () => this.note("opening", ""));
    this.wire.on("importing", (facts) => this.importing(facts));
    this.wire.on("held", ({ said }) => this.note("held", told(said)));
    this.wire.on("trouble", ({ key, said, text }) => this.problem(key ?? "said", told(said), text ? [this.textAction(text)] : []));
    this.wire.on("solved", ({ key }) => this.solved(key));
    // Once for all that one step changes, and after the page has heard of it: the picture it asks for comes first.
    this.lookAhead = debounce(() => this.readAhead(), 10);
    for (const event of ["recipe", "film", "plan", "views", "exports"]) this.wire.on(event, () => this.lookAhead());
    document.querySelectorAll("nav a[data-page]").forEach((a) => a.addEventListener("click", (e) => this.follow(e, a)));
    at("undo").addEventListener("click", () => this.step("undo"));
    at("redo").addEventListener("click", () => this.step("redo"));
    at("keys").addEventListener("click", () => this.showKeys());
    at("letters").checked = remembered();
    at("letters").addEventListener("change", () => remember(at("letters").checked));
    window.addEventListener("storage", (e) => { if (e.key === LETTERS) at("letters").checked = remembered(); });
    document.addEventListener("keydown", (e) => this.key(e));
    window.addEventListener("popstate", () => this.show(location.pathname));
    this.show(location.pathname);
  }

  async linked({ up, again, resent, tries, waiting, another }) {
    if (another) {
      this.page?.close?.();
      location.assign("/start");
      return;
    }
    if (!up) {
      for (const [key, work] of this.works) { clearInterval(work.clock); this.bar(key, ""); }
      if (tries === 0) return this.note("link", say("looking for the server"));
      const kept = waiting ? ` ${few("{n} change not confirmed yet will be sent again.", "{n} changes not confirmed yet will be sent again.", waiting)}` : "";
      this.note("link", say("the server has stopped"));
      this.problem("link", say("The server has stopped. Start it again on this folder (clerestory serve) and this page goes on by itself.") + kept);
      return;
    }
    this.note("link", "");
    this.solved("link");
    await this.refresh();
    if (!again) return;
    this.note("resent", resent ? few("the server is back; {n} change not confirmed before was sent again", "the server is back; {n} changes not confirmed before were sent again", resent) : say("the server is back"));
    setTimeout(() => this.note("resent", ""), 8000);
    this.page?.again?.();
  }

  async refresh() {
    try {
      const visit = await this.wire.ask("visit");
      await released();
      this.visit = visit;
    } catch (problem) {
      return this.refused("said", problem);
    }
    this.wire.visit = this.visit.key;
    at("visit-name").textContent = this.visit.title;
    this.sorting(this.visit.sorting);
    this.queued(this.visit);
    this.page?.visitChanged?.();
    this.lookAhead();
    const text = new URLSearchParams(location.search).get("text");
    if (text) {
      history.replaceState(null, "", location.pathname);
      this.openText(text);
    }
  }

  // ---- pages

  follow(event, link) {
    if (event.ctrlKey || event.metaKey || event.button) return;
    event.preventDefault();
    this.go(link.dataset.page);
  }

  go(name, query = "") {
    history.pushState(null, "", `/${name}${query}`);
    this.show(`/${name}`);
  }

  show(path) {
    const name = path.slice(1) in PAGES ? path.slice(1) : "sort";
    this.page?.close?.();
    this.name = name;
    document.body.dataset.page = name;
    document.title = `${document.querySelector(`nav a[data-page=${name}]`).textContent} - Clerestory`;
    document.querySelectorAll("nav a[data-page]").forEach((a) => {
      if (a.dataset.page === name) a.setAttribute("aria-current", "page");
      else a.removeAttribute("aria-current");
    });
    at("page").replaceChildren();
    for (const key of [...this.problems.keys()]) if (key.startsWith("ask ") || key.startsWith("unseen ")) this.solved(key);
    this.page = new PAGES[name](this, at("page"));
    this.page.visitChanged?.();
    this.lookAhead();
  }

  // ---- what goes on

  // Work in the other process says only when it begins and ends: how far it is goes by how long the last one took.
  working({ what, state, usual }) {
    const key = `work ${what}`;
    clearInterval(this.works.get(key)?.clock);
    if (state === "ended") return this.bar(key, "");
    const stop = () => this.ask("stop work", { what }).catch(() => 0);
    this.bar(key, told(what), { stop });
    const begun = performance.now();
    const work = this.works.get(key);
    if (usual) work.clock = setInterval(() => { work.meter.value = Math.min(0.97, (performance.now() - begun) / 1000 / usual); }, 200);
  }

  // A button that opens a text of the visit where it can be written.
  textAction(name) {
    return [say("Open {name}", { name }), () => this.openText(name)];
  }

  openText(name) {
    const desk = new TextDesk(this, name, () => box.close());
    const box = el("dialog", { class: "text-box", "aria-label": name }, el("h2", {}, name), desk.node, button(say("Close"), () => box.close()));
    box.addEventListener("close", () => {
      desk.close();
      box.remove();
      this.page?.again?.();
    });
    document.body.append(box);
    box.showModal();
  }

  // Asks, and tells the person what stood in the way; the next time it is well, that is solved.
  async ask(what, fields) {
    try {
      const found = await this.wire.ask(what, fields);
      this.solved(`ask ${what}`);
      return found;
    } catch (problem) {
      if (problem.conflict?.now) this.conflict(what, fields, problem);
      else this.refused(`ask ${what}`, problem);
      throw problem;
    }
  }

  // Another window set it otherwise meanwhile: both are shown, and one is chosen.
  conflict(what, fields, { message, conflict }) {
    const { now, yours } = conflict;
    const words = (values) => Object.entries(values).map(([name, v]) => `${told(name.replaceAll("_", " "))} ${v === null || v === "" ? say("left to the tool") : typeof v === "object" ? JSON.stringify(v) : figure(v)}`).join(", ");
    const key = `conflict ${what} ${fields.view ?? fields.shot ?? ""}`;
    const theirs = Object.keys(now).length ? [[say("Keep theirs"), () => this.solved(key)], [say("Keep mine"), () => {
      this.solved(key);
      this.ask(what, { ...fields, was: { ...fields.was, ...now } }).then(() => this.page?.again?.(), () => 0);
    }]] : [];
    this.problem(key, `${told(message)}\n${Object.keys(now).length ? `${say("Theirs: {theirs}.", { theirs: words(now) })} ` : ""}${say("Yours: {yours}.", { yours: words(yours) })}`, theirs);
  }

  sorting(facts) {
    this.visit.sorting = facts;
    this.bar("sorting", facts.state === "reading" ? say("reading frames") : "",
      { done: facts.done, total: facts.total, stop: () => this.ask("stop reading").catch(() => 0) });
    if (facts.state === "failed" || facts.state === "stopped") {
      this.problem("sorting", told(facts.said), [[say("Read frames again"), () => this.ask("sort again").catch(() => 0)]]);
    } else this.solved("sorting");
    this.page?.sortingChanged?.();
  }

  queued({ queue, done }) {
    this.visit.queue = queue;
    this.visit.done = done;
    const states = Object.values(queue);
    const left = states.filter((s) => s === "waiting" || s === "writing").length;
    const failed = Object.entries(queue).filter(([, s]) => s.startsWith("failed"));
    const saved = states.filter((s) => s === "done").length;
    this.bar("queue", left ? say("saving pictures") : "", { done: states.length - left, total: states.length, stop: () => this.ask("stop writing").catch(() => 0) });
    this.note("queue", left ? say("saving pictures: {saved} of {all} saved", { saved, all: states.length }) : "");
    for (const [view, state] of Object.entries(queue)) {
      if (!state.startsWith("failed")) this.solved(`save ${view}`);
    }
    for (const [view, state] of failed) {
      this.problem(`save ${view}`, say("{view} is not saved: {why}", { view, why: told(state.slice("failed: ".length)) }), [[say("Try again"), () => this.ask("export", { views: [view] }).catch(() => 0)]]);
    }
    this.page?.queueChanged?.();
  }

  exporting(facts) {
    const { entries, counts } = facts;
    this.bar("export", counts.left ? say("exporting pictures") : "", { done: counts.all - counts.left, total: counts.all, stop: () => this.ask("exports stop").catch(() => 0) });
    if (counts.failed && !counts.left) {
      const failed = entries.filter((e) => e.state === "failed");
      const words = [...new Set(failed.map((e) => told(e.said)))];
      this.problem("export", few("{view} is not exported: {why}", "{n} views are not exported: {why}", counts.failed, { view: failed[0].view, why: words.slice(0, 3).join(" ") }),
        [[say("Try again"), () => this.ask("exports again").catch(() => 0)]]);
    } else this.solved("export");
    this.page?.exporting?.(facts);
  }

  making(facts) {
    this.bar("film", facts.state === "making" ? say("making the {what}", { what: say(facts.what) }) : "", { done: facts.done, total: facts.total, stop: () => this.ask("film stop").catch(() => 0) });
    if (facts.state === "failed") this.problem("film", told(facts.said), [[say("Open the text of the film"), () => this.openText("film/film.toml")]]);
    else this.solved("film");
    this.page?.makingChanged?.(facts);
  }

  // ---- undo and redo

  // What undo and redo would do, beside their buttons.
  async readAhead() {
    const ahead = await this.wire.ask("ahead", { scope: this.name }).catch(() => ({ undo: "", redo: "" }));
    for (const way of ["undo", "redo"]) {
      const words = `${way === "undo" ? say("Undo") : say("Redo")}${ahead[way] ? `: ${told(ahead[way])}` : ""}`;
      at(way).disabled = !ahead[way];
      at(way).title = words;
      at(way).setAttribute("aria-label", words);
    }
  }

  async step(way) {
    this.page?.settle?.();
    const found = await this.ask(way, { scope: this.name });
    if (!found.said) return;
    this.note("step", `${way === "undo" ? say("undone") : say("redone")}: ${told(found.said)}`);
    setTimeout(() => this.note("step", ""), 4000);
    this.page?.stepped?.(found.place);
    this.lookAhead();
  }

  // ---- keys

  key(event) {
    if (event.defaultPrevented || document.querySelector("dialog[open]")) return;
    const typing = event.target.matches?.("textarea, input:not([type=range]):not([type=checkbox]), select");
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !typing) {
      event.preventDefault();
      this.step(event.shiftKey ? "redo" : "undo");
      return;
    }
    if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
    if (isLetter(event.key) && !at("letters").checked) return;
    const own = this.page?.keys?.() ?? [];
    const found = [...own, ...this.keys()].find(([key]) => key === event.key);
    if (!found) return;
    if (event.target.matches?.("input[type=range]") && event.key.startsWith("Arrow")) return;
    if (event.target.matches?.("button, a") && (event.key === "Enter" || event.key === " ") && !found[3]) return;
    event.preventDefault();
    found[2](event);
  }

  keys() {
    return [
      [",", say("previous stage"), () => this.along(-1)],
      [".", say("next stage"), () => this.along(1)],
      ["?", say("these keys"), () => this.showKeys()],
    ];
  }

  along(step) {
    const names = Object.keys(PAGES);
    const next = names[names.indexOf(this.name) + step];
    if (next) this.go(next);
  }

  showKeys() {
    const off = !at("letters").checked;
    const names = { ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓", " ": say("space"), PageDown: say("Page Down"), PageUp: say("Page Up"), Backspace: say("Backspace"), Enter: say("Enter"), Delete: say("Delete"), Escape: say("Escape"), "Shift ← →": say("Shift ← →") };
    const always = [[say("Ctrl Z"), say("undo")], [say("Shift Ctrl Z"), say("redo")]];
    const rows = [...(this.page?.keys?.() ?? []), ...(this.page?.keysInside?.() ?? []), ...this.keys(), ...always].filter(([key]) => !(off && isLetter(key)))
      .map(([key, words]) => el("div", {}, el("dt", {}, names[key] ?? key), el("dd", {}, words)));
    at("key-off").hidden = !off;
    at("key-list").querySelector("dl").replaceChildren(...rows);
    at("key-list").showModal();
  }
}

new House();
