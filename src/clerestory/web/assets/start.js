// The start page and the import page: what is there before a visit is open, and beside it.

import { Bring } from "./bring.js";
import { browse } from "./browse.js";
import { button, el } from "./build.js";
import { released } from "./pressed.js";
import { Records } from "./records.js";
import { LOCALE, say, told } from "./say.js";
import { Signs } from "./signs.js";
import { Wire } from "./wire.js";

const at = (id) => document.getElementById(id);
const STEPS = [
  [say("Plan"), say("Before the day: the sun in each window, where to stand, which lens. A card to take along.")],
  [say("Photograph"), say("By the card, and by your eyes. The building's staff decide what is allowed.")],
  [say("Import"), say("Frames from the card, each one read back and compared. The card is only read.")],
  [say("Sort"), say("Frames of one picture lie together, the sharp one picked. You have the last word.")],
  [say("Finish"), say("Upright, the glass held, the shade opened. Every setting can be taken back.")],
  [say("Film"), say("The pictures in time, with your voice and captions.")],
];

class Porch extends Signs {
  constructor() {
    super();
    this.facts = null;
    this.wire = new Wire("/door");
    this.wire.on("link", (facts) => this.linked(facts));
    this.wire.on("opened", (facts) => this.opened(facts));
    this.wire.on("demo", (facts) => this.demo(facts));
    this.wire.on("importing", (facts) => this.importing(facts));
    this.wire.on("trouble", ({ key, said }) => this.problem(key ?? "said", told(said)));
    this.wire.on("go", ({ to }) => location.pathname === "/start" && location.assign(to));
    document.querySelectorAll("nav a").forEach((a) => {
      if (a.getAttribute("href") === location.pathname) a.setAttribute("aria-current", "page");
    });
    const [name, Page] = { "/import": [say("Import"), Bring], "/records": [say("Records"), Records] }[location.pathname] ?? [say("Visits"), Start];
    document.title = say("{name} - Clerestory", { name });
    this.page = new Page(this, at("page"));
  }

  async linked({ up, tries }) {
    if (!up) {
      if (tries === 0) return this.note("link", say("looking for the server"));
      this.note("link", "");
      return this.problem("link", say("The program has ended. Start it again, by its icon or with clerestory in a terminal, and this page goes on by itself."));
    }
    this.note("link", "");
    this.solved("link");
    await this.refresh();
  }

  async refresh() {
    try {
      const facts = await this.wire.ask("start");
      await released();
      this.facts = facts;
    } catch (problem) { return this.refused("said", problem); }
    this.opened(this.facts);
    this.demo(this.facts.demo);
    this.importing(this.facts.importing);
    this.page.drawn(this.facts);
  }

  opened({ visit }) {
    this.facts = { ...this.facts, visit };
    at("back").hidden = !visit;
    if (visit) at("back").textContent = say("Back to {title}", { title: visit.title });
    this.page?.visitChanged?.(visit);
  }

  demo({ state, what, done, total, said }) {
    this.bar("demo", state === "under way" ? told(what) || say("making the demo's visit") : "", { done, total, stop: () => this.ask("stop demo") });
    if (state === "failed" || state === "stopped") this.problem("demo", told(said), [[say("Go on with it"), () => this.ask("demo")]]);
    else this.solved("demo");
    this.page?.demoChanged?.(state);
  }

  importing(facts) {
    // The import page itself says what became of it; others say it as what stands in the way.
    super.importing(facts.state === "failed" && location.pathname === "/import" ? { state: "idle" } : facts);
    this.page?.importChanged?.(facts);
  }

  stopImport() {
    this.ask("stop import");
  }

  // The answer, or null where something stood in the way, which is told.
  async ask(what, fields) {
    try {
      const found = await this.wire.ask(what, fields);
      this.solved(`ask ${what}`);
      return found;
    } catch (problem) {
      const address = problem.conflict?.address;
      this.refused(`ask ${what}`, problem, address ? [[say("Go there"), () => location.assign(address)]] : []);
      return null;
    }
  }

  // Open a folder, or say what is doubtful about it and what can be done.
  async open(path, anyway = false) {
    const found = await this.ask("open", { path, anyway });
    if (found?.go) location.assign(found.go);
    if (!found?.doubt) return;
    const ways = {
      begin: [say("Begin a visit in it"), () => this.openAt(found.path, "/plan")],
      anyway: [say("Open it as it is"), () => this.openAt(found.path, "/")],
      other: [say("Choose another folder"), () => this.choose(found.path)],
      import: [say("Import frames"), () => location.assign(`/import?from=${encodeURIComponent(found.path)}`)],
    };
    this.problem("ask open", told(found.doubt.said), found.doubt.ways.map((way) => ways[way]));
  }

  async openAt(path, to) {
    if (await this.ask("open", { path, anyway: true })) location.assign(to);
  }

  async choose(from = "") {
    const path = await browse(this, { title: say("Open a folder"), does: say("Open this folder"), from });
    if (path) this.open(path);
  }
}

class Start {
  constructor(porch, room) {
    this.porch = porch;
    this.list = el("ul", { class: "lately" });
    this.name = el("input", { id: "new-name", autocomplete: "off", placeholder: say("St Corvane's, June") });
    this.place = el("input", { id: "new-place", autocomplete: "off", spellcheck: "false" });
    this.demoButton = button(say("Make the demo"), () => this.porch.ask("demo"));
    // Where to begin looking, and where a new visit is made, is told by the server.
    this.beginButton = el("button", { disabled: true }, say("Begin"));
    this.openButton = button(say("Open a folder"), () => this.porch.choose(this.facts.place), { disabled: true });
    const form = el("form", { onsubmit: (e) => this.begin(e) },
      el("label", { for: "new-name" }, say("Name")), this.name,
      el("label", { for: "new-place" }, say("Its folder is made in")),
      el("div", { class: "row place" }, this.place, button(say("Choose"), () => this.choosePlace())),
      this.beginButton);
    room.append(el("div", { class: "start" },
      el("h1", { class: "unseen" }, say("Visits")),
      el("ol", { class: "arcade", "aria-label": say("From the plan to the film") }, ...STEPS.map(([name, words]) => el("li", {}, el("b", {}, name), el("span", {}, words)))),
      el("div", { class: "ways-in" },
        el("section", {}, el("h2", {}, say("New visit")), form),
        el("section", {}, el("h2", {}, say("A folder that is there")),
          el("p", {}, say("A visit's folder, or any folder of raw frames. It stays where it is; originals are never written to.")),
          this.openButton,
          el("p", {}, say("Frames still on a card?")),
          button(say("Import"), () => location.assign("/import"))),
        el("section", {}, el("h2", {}, say("Only to see")),
          el("p", {}, say("An invented church is planned, photographed, finished and filmed. It takes some minutes; nothing of yours is touched.")), this.demoButton)),
      el("h2", {}, say("Opened before")), this.list));
  }

  drawn(facts) {
    this.facts = facts;
    this.openButton.disabled = this.beginButton.disabled = false;
    if (!this.place.value) this.place.value = facts.place;
    this.list.replaceChildren(...facts.recents.map((r) => this.recent(r)));
    if (!facts.recents.length) this.list.append(el("li", { class: "quiet none-yet" }, say("None yet. What you open is listed here, with a picture of it.")));
  }

  recent({ key, title, path, when, there, picture }) {
    const day = new Date(1000 * when).toLocaleDateString(LOCALE, { dateStyle: "medium" });
    const face = picture ? el("img", { src: `/recent/${key}`, alt: "", loading: "lazy" }) : el("span", { class: "faceless", "aria-hidden": "true" });
    return el("li", { class: there ? "" : "gone" },
      el("button", { type: "button", class: "visit", "data-key": key, onclick: () => this.openRecent(key), title: path },
        face, el("span", { class: "title" }, title), el("span", { class: "quiet where" }, path), el("span", { class: "quiet" }, there ? day : [day, say("not there now")].join("; "))),
      el("button", { type: "button", class: "forget", title: say("Its folder stays as it is"), onclick: () => this.forget(key) }, say("Take off the list"), el("span", { class: "unseen" }, `: ${title}`)));
  }

  async openRecent(key) {
    const found = await this.porch.ask("open recent", { key });
    if (found?.go) location.assign(found.go);
  }

  async forget(key) {
    await this.porch.ask("forget", { key });
    this.porch.refresh();
  }

  async begin(event) {
    event.preventDefault();
    this.beginButton.disabled = true; // pressed twice, the second would find the folder taken
    const found = await this.porch.ask("begin", { name: this.name.value, place: this.place.value });
    this.beginButton.disabled = Boolean(found?.go);
    if (found?.go) location.assign(found.go);
  }

  async choosePlace() {
    const path = await browse(this.porch, { title: say("Where the visit's folder is made"), does: say("Make it in here"), from: this.place.value });
    if (path) this.place.value = path;
  }

  demoChanged(state) {
    this.demoButton.disabled = state === "under way";
  }
}

window.clerestory = new Porch();
