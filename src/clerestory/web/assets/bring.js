// Frames from a card into the open visit: seen first, then copied.

import { browse, KINDS } from "./browse.js";
import { button, el } from "./build.js";

const LOOK_MS = 2000; // between two looks whether a card was put in
const frames = (count) => (count === 1 ? "1 frame" : `${count.toLocaleString()} frames`);
const size = (bytes) => (bytes >= 1e9 ? `${(bytes / 1e9).toFixed(1)} GB` : `${Math.max(1, Math.round(bytes / 1e6))} MB`);
const day = (when) => new Date(1000 * when).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });

export class Bring {
  constructor(porch, room) {
    this.porch = porch;
    this.card = null;
    this.known = new Set();
    this.drives = el("div", { class: "row drives", role: "group", "aria-label": "Drives" });
    this.seen = el("p", { class: "quiet seen", role: "status" });
    this.sheet = el("ul", { class: "sheet-of-card", "aria-label": "Frames on the card", tabindex: 0 });
    this.to = el("p", {});
    this.second = el("input", { id: "second", spellcheck: "false", autocomplete: "off", placeholder: "none" });
    this.doubt = el("p", { class: "doubt" });
    this.go = button("Import", () => this.begin(), { class: "main", disabled: true });
    this.outcome = el("section", { class: "outcome", role: "status", "aria-label": "What became of it" });
    room.append(el("div", { class: "bring" },
      el("section", {}, el("h1", {}, "Import"),
        el("h2", {}, "From"), this.drives,
        el("h2", {}, "Into"), this.to,
        el("label", { for: "second" }, "A second copy on another disk"),
        el("div", { class: "row place" }, this.second, button("Choose", () => this.chooseSecond())),
        this.doubt, this.go,
        el("p", { class: "quiet" }, "Each frame is copied, read back from the disk and compared. What is in the visit already is not copied again. The card is only read."),
        this.outcome),
      el("section", { class: "on-card", "aria-label": "On the card" }, this.seen, this.sheet)));
    this.offer();
    this.watch = setInterval(() => this.offer(), LOOK_MS);
  }

  drawn(facts) {
    this.visitChanged(facts.visit);
    const from = new URLSearchParams(location.search).get("from");
    if (from && !this.card) this.look(from);
  }

  visitChanged(visit) {
    this.visit = visit;
    this.to.replaceChildren(...(visit ? [el("b", {}, visit.title), el("span", { class: "quiet where" }, visit.path)]
      : [el("span", { class: "doubt" }, "No visit is open. "), el("a", { href: "/start" }, "Begin one, or open one"), ", then come back here."]));
    this.ready();
  }

  // ---- the card

  // Drives as they come and go; a card that is put in is looked at at once, where none was chosen.
  async offer() {
    const found = (await this.porch.wire.ask("places").catch(() => [])).filter((p) => p.kind !== "home" && p.kind !== "pictures");
    const key = JSON.stringify([found, this.card?.card]);
    if (key === this.offered) return;
    this.offered = key;
    const there = new Set(found.map((p) => p.path));
    const fresh = found.find((p) => p.kind === "card" && !this.known.has(p.path));
    this.known = there;
    this.drives.replaceChildren(...found.map((p) => button(KINDS[p.kind] ? `${p.name} (${KINDS[p.kind]})` : p.name, () => this.look(p.path),
      { title: p.path, "aria-pressed": String(this.card?.card === p.path), "data-kind": p.kind })),
    button("A folder", () => this.chooseCard()));
    if (!found.length) this.drives.prepend(el("span", { class: "quiet" }, "No card or stick is in this computer. It is seen when it is put in."));
    if (fresh && !this.card) this.look(fresh.path);
  }

  async chooseCard() {
    const path = await browse(this.porch, { title: "Frames are in", does: "Look at this folder", from: this.card?.card ?? "" });
    if (path) this.look(path);
  }

  async look(path) {
    this.seen.textContent = "Looking at it";
    const found = await this.porch.ask("look", { card: path });
    this.card = found;
    this.outcome.replaceChildren();
    this.offer();
    if (!found) {
      this.seen.textContent = "";
      this.sheet.replaceChildren();
      return this.ready();
    }
    const times = found.frames.map((f) => f.when).filter(Boolean);
    const [first, last] = times.length ? [day(times.reduce((a, b) => Math.min(a, b))), day(times.reduce((a, b) => Math.max(a, b)))] : ["", ""];
    const when = first && `, ${first}${last === first ? "" : ` to ${last}`}`;
    const left = found.left.length + found.left_more;
    this.seen.textContent = found.frames.length ? `${found.name}: ${frames(found.frames.length)}, ${size(found.bytes)}${when}.${left ? ` ${left} other file${left === 1 ? " stays" : "s stay"} on it: ${found.left.join(", ")}${found.left_more ? " and more" : ""}.` : ""}`
      : `${found.name} holds no frame${left ? `; ${left} other file${left === 1 ? "" : "s"} in it` : ""}. Choose the card's own folder, or the folder into which it was copied.`;
    this.sheet.replaceChildren(...found.frames.map((f, i) => el("li", { title: f.when ? day(f.when) : f.name },
      el("img", { src: `/card/${i}?of=${encodeURIComponent(found.card)}`, alt: "", loading: "lazy", decoding: "async" }), el("span", {}, f.name))));
    this.ready();
  }

  // ---- copying

  ready() {
    const { card, visit } = this;
    const short = card && card.free !== null && card.free < card.bytes;
    this.doubt.textContent = short ? `The disk has ${size(card.free)} left, and the frames take ${size(card.bytes)}. What is in the visit already takes nothing more; else make room first.` : "";
    this.go.disabled = !visit || !card?.frames.length || this.busy;
    this.go.textContent = card?.frames.length ? `Import ${frames(card.frames.length)}` : "Import";
  }

  async chooseSecond() {
    const path = await browse(this.porch, { title: "A second copy in", does: "Copy into this folder too", from: this.second.value });
    if (path) this.second.value = path;
  }

  async begin() {
    this.outcome.replaceChildren();
    await this.porch.ask("import", { card: this.card.card, second: this.second.value });
  }

  importChanged(facts) {
    this.busy = facts.state === "copying";
    this.ready();
    if (facts.state === "copying") return this.outcome.replaceChildren(el("p", {}, `${facts.done} of ${facts.total} copied and compared. Leave the card in.`));
    if (facts.state === "idle") return;
    const bad = facts.refused ?? [];
    this.outcome.replaceChildren(el("p", { class: facts.safe ? "keep" : "keep doubt" }, facts.keep), el("p", {}, facts.said),
      bad.length ? el("ul", {}, ...bad.map((words) => el("li", {}, words))) : "",
      this.visit ? el("a", { class: "onward", href: "/sort" }, "Go on to Sort") : "");
  }
}
