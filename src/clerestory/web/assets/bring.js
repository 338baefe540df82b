// Frames from a card into the open visit: seen first, then copied.

import { browse, KINDS } from "./browse.js";
import { button, el } from "./build.js";
import { decimal, few, LOCALE, say, told } from "./say.js";

const LOOK_MS = 2000; // between two looks whether a card was put in
const frames = (count) => few("{count} frame", "{count} frames", count, { count: count.toLocaleString(LOCALE) });
const size = (bytes) => (bytes >= 1e9 ? `${decimal(bytes / 1e9, 1)} GB` : `${Math.max(1, Math.round(bytes / 1e6))} MB`);
const day = (when) => new Date(1000 * when).toLocaleString(LOCALE, { dateStyle: "medium", timeStyle: "short" });

export class Bring {
  constructor(porch, room) {
    this.porch = porch;
    this.card = null;
    this.known = new Set();
    this.drives = el("div", { class: "row drives", role: "group", "aria-label": say("Drives") });
    this.seen = el("p", { class: "quiet seen", role: "status" });
    this.sheet = el("ul", { class: "sheet-of-card", "aria-label": say("Frames on the card"), tabindex: 0 });
    this.to = el("p", {});
    this.second = el("input", { id: "second", spellcheck: "false", autocomplete: "off", placeholder: say("none") });
    this.doubt = el("p", { class: "doubt" });
    this.go = button(say("Import"), () => this.begin(), { class: "main", disabled: true });
    this.outcome = el("section", { class: "outcome", role: "status", "aria-label": say("What became of it") });
    room.append(el("div", { class: "bring" },
      el("section", {}, el("h1", {}, say("Import")),
        el("h2", {}, say("From")), this.drives,
        el("h2", {}, say("Into")), this.to,
        el("label", { for: "second" }, say("A second copy on another disk")),
        el("div", { class: "row place" }, this.second, button(say("Choose"), () => this.chooseSecond())),
        this.doubt, this.go,
        el("p", { class: "quiet" }, say("Each frame is copied, read back from the disk and compared. What is in the visit already is not copied again. The card is only read.")),
        this.outcome),
      el("section", { class: "on-card", "aria-label": say("On the card") }, this.seen, this.sheet)));
    this.offer();
    this.watch = setInterval(() => this.offer(), LOOK_MS);
  }

  drawn(facts) {
    this.visitChanged(facts.visit);
    const from = new URLSearchParams(location.search).get("from");
    if (from && !this.card && from !== this.looking) this.look(from);
  }

  visitChanged(visit) {
    this.visit = visit;
    this.to.replaceChildren(...(visit ? [el("b", {}, visit.title), el("span", { class: "quiet where" }, visit.path)]
      : [el("span", { class: "doubt" }, say("No visit is open. ")), el("a", { href: "/start" }, say("Begin one, or open one")), say(", then come back here.")]));
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
    button(say("A folder"), () => this.chooseCard()));
    if (!found.length) this.drives.prepend(el("span", { class: "quiet" }, say("No card or stick is in this computer. It is seen when it is put in.")));
    if (fresh && !this.card && !this.looking) this.look(fresh.path);
  }

  async chooseCard() {
    const path = await browse(this.porch, { title: say("Frames are in"), does: say("Look at this folder"), from: this.card?.card ?? "" });
    if (path) this.look(path);
  }

  async look(path) {
    this.looking = path;
    this.ready(); // until it is seen, another card's frames are not what one means to import
    this.seen.textContent = say("Looking at it");
    const found = await this.porch.ask("look", { card: path });
    if (this.looking !== path) return;
    this.looking = null;
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
    const when = first && `, ${last === first ? first : say("{first} to {last}", { first, last })}`;
    const left = found.left.length + found.left_more;
    const names = `${found.left.join(", ")}${found.left_more ? say(" and more") : ""}`;
    this.seen.textContent = found.frames.length ? `${found.name}: ${frames(found.frames.length)}, ${size(found.bytes)}${when}.${left ? ` ${few("{n} other file stays on it: {names}.", "{n} other files stay on it: {names}.", left, { names })}` : ""}`
      : `${left ? few("{name} holds no frame; {n} other file in it.", "{name} holds no frame; {n} other files in it.", left, { name: found.name }) : say("{name} holds no frame.", { name: found.name })} ${say("Choose the card's own folder, or the folder into which it was copied.")}`;
    this.sheet.replaceChildren(...found.frames.map((f, i) => el("li", { title: f.when ? day(f.when) : f.name },
      el("img", { src: `/card/${i}?of=${encodeURIComponent(found.card)}`, alt: "", loading: "lazy", decoding: "async" }), el("span", {}, f.name))));
    this.ready();
  }

  // ---- copying

  ready() {
    const { card, visit } = this;
    const short = card && card.free !== null && card.free < card.bytes;
    this.doubt.textContent = short ? say("The disk has {free} left, and the frames take {bytes}. What is in the visit already takes nothing more; else make room first.", { free: size(card.free), bytes: size(card.bytes) }) : "";
    this.go.disabled = !visit || !card?.frames.length || this.busy || this.asked || Boolean(this.looking);
    this.go.textContent = card?.frames.length ? say("Import {frames}", { frames: frames(card.frames.length) }) : say("Import");
  }

  async chooseSecond() {
    const path = await browse(this.porch, { title: say("A second copy in"), does: say("Copy into this folder too"), from: this.second.value });
    if (path) this.second.value = path;
  }

  async begin() {
    this.outcome.replaceChildren();
    this.asked = true; // until it is under way: pressed twice, it would be refused
    this.ready();
    await this.porch.ask("import", { card: this.card.card, second: this.second.value });
    this.asked = false;
    this.ready();
  }

  importChanged(facts) {
    this.busy = facts.state === "copying";
    this.ready();
    if (facts.state === "copying") return this.outcome.replaceChildren(el("p", {}, say("{done} of {total} copied and compared. Leave the card in.", { done: facts.done, total: facts.total })));
    if (facts.state === "idle") return this.outcome.replaceChildren();
    const bad = facts.refused ?? [];
    this.outcome.replaceChildren(el("p", { class: facts.safe ? "keep" : "keep doubt" }, told(facts.keep)), el("p", {}, told(facts.said)),
      bad.length ? el("ul", {}, ...bad.map((words) => el("li", {}, told(words)))) : "",
      this.visit ? el("a", { class: "onward", href: "/sort" }, say("Go on to Sort")) : "");
  }
}
