// The export page: what pictures are to be, kept as sets under names of the user's own; which views; and the queue.

import { button, called, debounce, el, inTurn } from "./build.js";
import { draftOf, dropDraft, keepDraft } from "./drafts.js";
import { released } from "./pressed.js";
import { few, say, told } from "./say.js";

const ASPECTS = [["own", say("as in Finish")], ["4:3", "4:3"], ["3:2", "3:2"], ["16:9", "16:9"], ["1:1", "1:1"], ["free", say("free")]];
const KINDS = [["jpeg", "JPEG"], ["tiff", say("TIFF, 16 bits")], ["bright", say("JPEG, gain map")], ["avif", say("AVIF, 10 bits")], ["jxl", say("JPEG XL, 10 bits")]];
const SIZES = [["", say("all pixels there are")], ["long_edge", say("longest edge")], ["within", say("within width and height")], ["print_size", say("a size on paper")]];
const SPACES = [["srgb", "sRGB"], ["display-p3", "Display P3"], ["rec2020", "Rec. 2020"]];
const PARTS = [["", say("no more")], ["title", say("title")], ["date", say("date")], ["number", say("number")], ["view", say("view")]];
const PLAIN = { name: say("Pictures"), aspects: ["own"], kinds: ["jpeg"], space: "srgb", quality: 93, long_edge: null, within: null, print_size: null,
  print_unit: "mm", resolution: null, sharpen_for: "screen", named: ["view"], better: false };
const STATES = { waiting: say("waits"), exporting: say("being exported"), done: say("exported"), kept: say("was exported before, unchanged"), failed: say("not exported"), "broken off": say("broken off") };

export class Exports {
  naming = inTurn();

  constructor(house, room) {
    this.house = house;
    this.sets = [];
    this.known = null;
    this.chosen = new Set([new URLSearchParams(location.search).get("view")].filter(Boolean));
    this.namesSoon = debounce(() => this.names(), 250);
    this.build(room);
    this.off = [house.wire.on("exports", () => this.read())];
    this.show(PLAIN, null);
    this.read();
  }

  close() {
    this.off.forEach((off) => off());
  }

  // ---- the page's parts

  build(room) {
    const boxes = (choices, name) => choices.map(([value, words]) => el("label", { class: "check" }, el("input", { type: "checkbox", name, value, onchange: () => this.changed() }), words));
    const select = (id, choices) => el("select", { id, onchange: () => this.changed() }, ...choices.map(([v, words]) => el("option", { value: v }, words)));
    const number = (id, label, more = {}) => el("input", { id, type: "number", inputmode: "decimal", "aria-label": label, oninput: () => this.changed(), ...more });
    this.list = el("div", { class: "sets", role: "group", "aria-label": say("Sets") });
    this.name = el("input", { id: "set-name", maxlength: 80, autocomplete: "off", oninput: () => this.changed() });
    this.aspects = boxes(ASPECTS, "aspect");
    this.kinds = boxes(KINDS, "kind");
    this.size = select("set-size", SIZES);
    this.edge = number("set-edge", say("Longest edge, pixels"), { min: 64, max: 30000 });
    this.pair = [say("Width"), say("Height")].map((side, i) => number(`set-${i ? "height" : "width"}`, side, { min: 0, step: "any" }));
    this.unit = select("set-unit", [["mm", "mm"], ["inch", say("inches")]]);
    this.unit.setAttribute("aria-label", say("Unit"));
    this.pixels = el("span", { class: "quiet" }, say("pixels"));
    this.resolution = number("set-resolution", say("Resolution, pixels to an inch"), { min: 36, max: 2400, step: "any", placeholder: say("none") });
    this.sharpen = select("set-sharpen", [["screen", say("the screen")], ["print", say("print")]]);
    this.space = select("set-space", SPACES);
    this.quality = number("set-quality", say("Quality of all but TIFF"), { min: 50, max: 95 });
    this.parts = [0, 1, 2].map((i) => select(`set-part-${i}`, i ? PARTS : PARTS.slice(1)));
    this.parts.forEach((node, i) => node.setAttribute("aria-label", [say("File name begins with"), say("then"), say("then")][i]));
    this.better = el("input", { type: "checkbox", onchange: () => this.changed() });
    this.doubt = el("p", { class: "doubt", role: "status" });
    this.keepButton = button(say("Keep as a set"), () => this.keep());
    this.dropButton = button(say("Take off"), () => this.drop(), { title: say("The set; what was exported by it stays") });
    this.come = el("p", { class: "quiet come", role: "status" });
    this.go = button(say("Export"), () => this.begin(), { class: "main" });
    const row = (label, id, ...nodes) => [id ? el("label", { for: id }, label) : el("span", {}, label), el("div", { class: "row" }, ...nodes)];
    const form = el("div", { class: "fields", oninput: () => { this.typed = true; } },
      ...row(say("Set"), "set-name", this.name),
      ...row(say("Aspects"), "", el("div", { class: "boxes", role: "group", "aria-label": say("Aspects, one picture for each") }, ...this.aspects)),
      ...row(say("Size"), "set-size", this.size, this.sizes = el("span", { class: "row" }, this.edge, ...this.pair, this.unit, this.pixels)),
      ...row(say("Resolution"), "set-resolution", this.resolution, el("span", { class: "quiet" }, say("pixels an inch"))),
      ...row(say("Sharpened for"), "set-sharpen", this.sharpen),
      ...row(say("Files"), "", el("div", { class: "boxes", role: "group", "aria-label": say("Kinds of file") }, ...this.kinds)),
      ...row(say("Quality"), "set-quality", this.quality),
      ...row(say("Colour"), "set-space", this.space),
      ...row(say("Named by"), "set-part-0", ...this.parts),
      el("span", {}), el("label", { class: "check", title: say("Slower: a network takes out the noise of single frames") }, this.better, say("noise by network")));
    this.all = button("", () => this.toggleAll());
    this.grid = el("div", { class: "choose", role: "group", "aria-label": say("Views") });
    this.entries = el("ul", { class: "entries" });
    this.queueLead = el("p", { class: "quiet", role: "status" });
    this.clearButton = button(say("Clear the list"), () => this.house.ask("exports clear").catch(() => 0));
    this.againButton = button(say("Try again"), () => this.house.ask("exports again").catch(() => 0));
    this.empty = el("p", { class: "quiet" });
    room.append(el("div", { class: "export" },
      el("section", { class: "wishes", "aria-label": say("What they are to be") }, el("h1", {}, say("Export")), this.list, form,
        this.doubt, el("div", { class: "row" }, this.keepButton, this.dropButton,
          button(say("Open as text"), () => this.house.openText("exports.toml"), { title: say("exports.toml, as the command export reads it") }))),
      el("section", { class: "of-views", "aria-label": say("Views") }, el("div", { class: "row" }, el("h2", {}, say("Views")), this.all), this.empty, this.grid),
      el("section", { class: "line-up", "aria-label": say("Queue") }, el("h2", {}, say("Into the folder")), this.come, this.go, this.queueLead, this.entries,
        el("div", { class: "row" }, this.againButton, this.clearButton))));
  }

  // ---- sets

  async read() {
    const found = await this.house.ask("exports").catch(() => null);
    await released();
    if (!found) return;
    this.sets = found.sets;
    if (found.trouble) this.house.problem("exports.toml", told(found.trouble), [this.house.textAction("exports.toml")]);
    else this.house.solved("exports.toml");
    if (this.known) {
      const now = this.sets.find((s) => s.name === this.known.name);
      if (!now) this.known = null;
      else if (JSON.stringify(now) !== JSON.stringify(this.known) && !this.dirty) this.show(now, now);
    } else if (this.sets.length && !this.dirty) this.show(this.sets[0], this.sets[0]);
    this.loaded = true;
    this.restore();
    this.drawSets();
    this.house.exporting(found.queue);
  }

  // What was set and not kept, when this page was left.
  restore() {
    const { key } = this.house.visit;
    if (this.restored || !this.loaded || !key) return;
    this.restored = true;
    const draft = draftOf(key, "export");
    if (this.typed) this.changed(); // typed before the sets were here: that is the newer
    else if (draft?.set) this.show(draft.set, this.sets.find((s) => s.name === draft.known) ?? null);
  }

  drawSets() {
    const fresh = button(say("New set"), () => this.show({ ...PLAIN, name: this.freeName() }, null));
    this.list.replaceChildren(...this.sets.map((s) => button(s.name, () => this.show(s, s), { "aria-pressed": String(this.known?.name === s.name) })),
      ...(this.sets.length ? [fresh] : [el("p", { class: "quiet" }, say("What is set here can be kept under a name: one for prints, one for a page, one for an archive."))]));
    this.dropButton.hidden = !this.known;
  }

  freeName() {
    for (let n = 1; ; n++) {
      const name = n === 1 ? say("Pictures") : say("Pictures {n}", { n });
      if (!this.sets.some((s) => s.name.toLowerCase() === name.toLowerCase())) return name;
    }
  }

  // Put a set into the form; `known`: the set as it is kept, none for a new one.
  show(set, known) {
    this.known = known;
    const value = { ...PLAIN, ...set };
    const tick = (boxes, chosen) => boxes.forEach((b) => { const input = b.querySelector("input"); input.checked = chosen.includes(input.value); });
    this.name.value = value.name;
    tick(this.aspects, value.aspects);
    tick(this.kinds, value.kinds);
    this.size.value = ["long_edge", "within", "print_size"].find((n) => value[n] !== null) ?? "";
    this.edge.value = value.long_edge ?? 2560;
    const sides = value.print_size ?? value.within ?? [300, 200];
    this.pair.forEach((node, i) => { node.value = sides[i]; });
    this.unit.value = value.print_unit;
    this.resolution.value = value.resolution ?? "";
    this.sharpen.value = value.sharpen_for;
    this.space.value = value.space;
    this.quality.value = value.quality;
    this.parts.forEach((node, i) => { node.value = value.named[i] ?? ""; });
    this.better.checked = value.better;
    this.changed();
    this.drawSets();
  }

  // The form as a set.
  get set() {
    const ticked = (boxes) => boxes.map((b) => b.querySelector("input")).filter((i) => i.checked).map((i) => i.value);
    const size = this.size.value;
    const sides = this.pair.map((node) => Number(node.value));
    return { name: this.name.value.trim(), aspects: ticked(this.aspects), kinds: ticked(this.kinds), space: this.space.value, quality: Number(this.quality.value),
      long_edge: size === "long_edge" ? Number(this.edge.value) : null, within: size === "within" ? sides : null,
      print_size: size === "print_size" ? sides : null, print_unit: this.unit.value,
      resolution: this.resolution.value ? Number(this.resolution.value) : null, sharpen_for: this.sharpen.value,
      named: [...new Set(this.parts.map((node) => node.value).filter(Boolean))], better: this.better.checked };
  }

  get dirty() {
    return JSON.stringify(this.set) !== JSON.stringify({ ...PLAIN, ...(this.known ?? {}) });
  }

  changed() {
    const size = this.size.value;
    const paper = size === "print_size";
    this.sizes.hidden = !size;
    this.edge.hidden = size !== "long_edge";
    this.pair.forEach((node) => { node.hidden = size === "long_edge"; });
    this.unit.hidden = !paper;
    this.pixels.hidden = paper;
    if (paper || this.sharpen.value === "print") this.resolution.value ||= 300;
    this.quality.disabled = ![this.kinds[0], this.kinds[2]].some((k) => k.querySelector("input").checked);
    this.keepButton.disabled = Boolean(this.known) && !this.dirty;
    this.keepButton.textContent = this.known ? say("Keep the change") : say("Keep as a set");
    const { key } = this.house.visit;
    if (this.restored && this.dirty) keepDraft(key, "export", { set: this.set, known: this.known?.name ?? "" });
    else if (this.restored) dropDraft(key, "export");
    this.namesSoon();
  }

  async keep() {
    const set = this.set;
    const former = this.known && this.known.name !== set.name ? this.known.name : "";
    try {
      await this.house.ask("exports keep", { set, was: this.known, former });
    } catch { return; }
    this.known = set;
    this.changed();
    this.read();
  }

  async drop() {
    const { name } = this.known;
    try { await this.house.ask("exports drop", { name }); } catch { return; }
    this.known = null;
    this.show({ ...PLAIN, ...this.sets.find((s) => s.name !== name) }, this.sets.find((s) => s.name !== name) ?? null);
  }

  // What would be written, or what is wrong with what is set.
  async names() {
    const views = this.wanted;
    const latest = this.naming();
    this.go.textContent = views.length ? few("Export {n} view", "Export {n} views", views.length) : say("Export");
    this.go.disabled = !views.length;
    if (!views.length) {
      this.doubt.textContent = "";
      this.come.textContent = say("Choose the views to export.");
      return;
    }
    try {
      const { files, first, folder } = await this.house.wire.ask("exports names", { set: this.set, views });
      if (!latest()) return;
      this.doubt.textContent = "";
      this.come.textContent = [few("{n} file in {folder}", "{n} files in {folder}", files, { folder }), ...first, ...(files > first.length ? [say("and so on")] : [])].join("\n");
    } catch (problem) {
      if (!latest()) return;
      this.doubt.textContent = told(problem.message);
      this.come.textContent = "";
      this.go.disabled = true;
    }
  }

  // ---- views

  get wanted() {
    return this.house.visit.views.map((v) => v.name).filter((name) => this.chosen.has(name));
  }

  visitChanged() {
    this.restore();
    const { views, sorting } = this.house.visit;
    const reading = sorting?.state === "reading" || sorting?.state === "waiting";
    this.empty.hidden = Boolean(views.length);
    this.empty.textContent = !this.house.visit.key ? "" : reading ? say("The frames are being read; views appear here as soon as that is done.")
      : say("There is no view yet: import frames from the card, or read those in the folder on Sort.");
    this.grid.replaceChildren(...views.map((v) => {
      const box = el("input", { type: "checkbox", value: v.name, checked: this.chosen.has(v.name), onchange: () => this.choose(v.name, box.checked) });
      return el("label", {}, el("img", { src: `/small/${encodeURIComponent(v.pick)}`, alt: "", loading: "lazy", decoding: "async" }), el("span", { class: "check" }, box, el("span", {}, called(v))));
    }));
    this.allWords();
    this.namesSoon();
  }

  choose(name, on) {
    if (on) this.chosen.add(name);
    else this.chosen.delete(name);
    this.allWords();
    this.namesSoon();
  }

  allWords() {
    const { length } = this.house.visit.views;
    this.all.hidden = !length;
    this.all.textContent = this.wanted.length === length ? say("None") : say("All");
  }

  toggleAll() {
    const names = this.house.visit.views.map((v) => v.name);
    this.chosen = this.wanted.length === names.length ? new Set() : new Set(names);
    this.visitChanged();
  }

  // ---- the queue

  begin() {
    if (this.go.disabled) return;
    this.house.ask("exports begin", { set: this.set, views: this.wanted }).catch(() => 0);
  }

  async exporting(queue) {
    await released();
    const { entries, counts, held } = queue;
    const hidden = counts.all - entries.length;
    this.queueLead.textContent = told(held) || (counts.all ? few("{ended} of {n} view exported", "{ended} of {n} views exported", counts.all, { ended: counts.ended }) + (hidden ? say("; {hidden} not listed one by one", { hidden }) : "") : "");
    this.entries.replaceChildren(...entries.map((e) => el("li", { "data-state": e.state },
      el("span", {}, `${e.view}, ${e.set}`), el("span", { class: e.state === "failed" ? "doubt" : "quiet" }, `${STATES[e.state]}${e.said ? `: ${told(e.said)}` : ""}`),
      e.files.length ? el("span", { class: "quiet" }, ...e.files.flatMap((f, i) => [i ? ", " : "", el("a", { href: `/exported/${encodeURIComponent(e.set)}/${encodeURIComponent(f)}`, target: "_blank", rel: "noopener" }, f)])) : "")));
    this.clearButton.hidden = counts.left || !counts.all;
    this.againButton.hidden = counts.left || !counts.open;
  }

  stepped() {
    this.read();
  }

  keys() {
    return [
      ["g", say("export the chosen views"), () => this.begin()],
      ["a", say("all views, or none"), () => this.toggleAll()],
      ["k", say("keep what is set"), () => this.keepButton.disabled || this.keep()],
    ];
  }
}
