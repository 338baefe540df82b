// The finish page: one picture as large as the window, and what is said and done about it.

import { button, called, debounce, el, gesture, percent, svg } from "./build.js";
import { Controls, NAMES, signed } from "./controls.js";
import { css, Sheet } from "./geometry.js";
import { Lines } from "./lines.js";
import { paperDialog } from "./paper.js";
import { Places } from "./places.js";
import { decimal, say, told } from "./say.js";
import { Scale } from "./scale.js";
import { Trim } from "./trim.js";
import { besideDialog, versionsDialog } from "./versions.js";
import { wordsDialog } from "./words.js";

const WIDTH = 1600;
const TRIES = 3; // at a proof whose parts do not come
const SIDES = { left: say("left"), right: say("right"), top: say("top"), bottom: say("bottom") };
const degrees = (v, figures = 1) => `${decimal(Math.abs(v), figures)}°`;

export class Finish {
  constructor(house, room) {
    this.house = house;
    this.wire = house.wire;
    this.view = new URLSearchParams(location.search).get("view");
    this.number = 0;
    this.lostParts = 0; // one after another
    this.begun = new Map();
    this.proveLater = debounce(() => this.prove(), 200);
    this.build(room);
    this.off = [
      this.wire.on("preview", (facts, bytes) => this.arrived(facts, bytes)),
      this.wire.on("recipe", ({ view, recipe }) => view === this.view && this.recipeChanged(recipe)),
      this.wire.on("coming", ({ view, recipe }) => view === this.view && this.recipeComing(recipe)),
      this.wire.on("merged", ({ view }) => view === this.view && this.facts && !this.facts.merged && this.preview({}, true)),
      this.wire.on("reading", (facts) => facts.view === this.view && this.read(facts)),
      this.wire.on("unseen", ({ view, said }) => view === this.view && this.cannotOpen(said)),
    ];
    this.resized = new ResizeObserver(() => { this.fit(); this.trimFit(); });
    this.resized.observe(this.stage);
  }

  close() {
    this.settle();
    this.off.forEach((off) => off());
    this.resized.disconnect();
    this.frameless(false);
  }

  // ---- the page's parts

  build(room) {
    this.canvas = el("canvas", { class: "picture", role: "img", "aria-label": say("The picture as it will be") });
    this.marks = el("img", { class: "over", alt: "", hidden: true });
    this.shot = el("div", { class: "as-shot" }, el("img", { alt: say("The frame as shot") }));
    this.edge = el("div", { class: "edge", role: "slider", tabindex: 0, "aria-label": say("How much of the frame as shot is shown"),
      "aria-valuemin": 0, "aria-valuemax": 100, "aria-valuenow": 0, onpointerdown: (e) => this.grab(e),
      onkeydown: (e) => this.edgeKey(e) });
    this.lines = new Lines(this.canvas, (lines) => this.lineUp(lines), (pitch, roll) => this.lineWords(pitch, roll),
      () => this.lineChanged());
    this.sheetNode = el("div", { class: "sheet" }, this.canvas);
    this.stage = el("div", { class: "stage", tabindex: 0, role: "group", "aria-label": say("The picture; arrows move about in it when it is large") },
      this.sheetNode, el("p", { class: "waiting" }, say("Choose a view.")));
    this.scale = new Scale(this.stage, this.sheetNode, () => this.scaled(), () => this.lostPart());
    this.places = new Places((values) => this.preview(values, false), (values, gesture) => this.set(values, gesture));
    this.sheetNode.append(this.scale.canvas, this.marks, this.shot, this.lines.layer, this.places.layer, this.edge);
    this.trim = new Trim((values) => { this.preview(values, false); this.set(values, ""); }, () => this.trimOff());
    this.trim.told = ({ crop_size: size }) => { this.trimWords.textContent = size === null ? say("All of the room") : say("{size} % of the room", { size: Math.round(100 * size) }); };
    this.stage.append(this.trim.node);
    this.sheetNode.addEventListener("pointermove", (e) => this.point(e));
    this.sheetNode.addEventListener("pointerleave", () => this.whole());
    this.name = el("select", { "aria-label": say("View"), onchange: () => this.open(this.name.value) });
    this.lean = el("p", { class: "lean" });
    this.sure = el("p", { class: "quiet sure" });
    this.frame = svg("svg", { class: "frame", viewBox: "-2 -2 124 94", role: "group", tabindex: 0,
      onpointerdown: (e) => this.placeFrom(e), onpointermove: (e) => this.placing && this.placeTo(e, false),
      onpointerup: (e) => this.placing && this.placeTo(e, true), onkeydown: (e) => this.placeKey(e) });
    this.kept = el("p", { class: "quiet kept" });
    this.light = el("p", { class: "light", "aria-live": "off" });
    this.offers = el("div", { class: "offers" });
    this.lineButton = button(say("Draw lines"), () => this.drawLines(), { "aria-pressed": "false" });
    this.edgeButton = button(say("Use the dashed edge"), () => this.lines.accept(), { hidden: true });
    this.removeButton = button(say("Remove"), () => this.lines.remove(), { "aria-label": say("Remove the chosen line") });
    this.lineTools = el("div", { class: "line-tools", hidden: true },
      el("p", { class: "quiet" }, say("Drag along what is vertical or horizontal in the building.")),
      el("div", { class: "pair" }, button(say("Vertical"), () => this.lines.add("vertical"), { "aria-label": say("Add a vertical line") }),
        button(say("Horizontal"), () => this.lines.add("horizontal"), { "aria-label": say("Add a horizontal line") })),
      this.removeButton, this.edgeButton, this.lines.list, this.oddsWords = el("p", { class: "odds", role: "status" }));
    this.legend = el("p", { class: "quiet legend", hidden: true }, el("span", { class: "gold" }, say("clipped in the raw")), " ",
      el("span", { class: "violet" }, say("noise shows")));
    this.remarks = el("ul", { class: "quiet remarks" });
    this.limitButton = button(say("Clipping and noise"), () => this.limits(), { "aria-pressed": "false" });
    this.trimButton = button(say("Draw the crop"), () => this.trimOn(), { "aria-pressed": "false" });
    this.placeButton = button(say("Places"), () => this.placesOn(), { "aria-pressed": "false", title: say("Lighter, darker, evened or taken out in places") });
    this.trimWords = el("p", { class: "quiet", "aria-live": "polite" });
    this.trimTools = el("div", { class: "line-tools", hidden: true },
      el("p", { class: "quiet" }, say("Pull the crop about, or its corners. The line shows what straightening left.")), this.trimWords, this.trim.lines,
      el("div", { class: "three" }, button(say("Take it"), () => this.trim.done()), button(say("Leave it"), () => this.trim.close()),
        button(say("All of it"), () => { this.trim.close(); this.preview({ crop: null, crop_size: null }, false); this.set({ crop: null, crop_size: null }, ""); })));
    this.spread = el("div", { class: "spread" });
    this.before = el("select", { "aria-label": say("What the picture is compared with"), onchange: () => { this.beforeOf = null; this.drawBefore(); } },
      el("option", { value: "alike" }, say("before: straightened alike")), el("option", { value: "held" }, say("before: as held")));
    this.told = el("div", { class: "told" }, this.lineTools, this.trimTools, this.places.node, this.lean, this.sure, this.offers,
      el("div", { class: "tools" }, this.lineButton, this.trimButton, this.placeButton, this.limitButton), this.legend,
      el("div", { class: "crop" }, this.frame, this.kept), this.before, this.light, this.spread, this.remarks);
    this.says = el("div", { class: "says" },
      el("div", { class: "row" }, button("‹", () => this.go(-1), { "aria-label": say("Previous view") }), this.name,
        button("›", () => this.go(1), { "aria-label": say("Next view") })),
      el("div", { class: "scales" }, button("−", () => this.scale.step(-1), { "aria-label": say("Smaller") }),
        this.scaleButton = button("100 %", () => this.scale.swap(this.at)),
        button("+", () => this.scale.step(1), { "aria-label": say("Larger") }), this.scaleWords = el("span", { class: "quiet" })),
      this.state = el("p", { class: "quiet state" }), this.told,
      el("div", { class: "doing" },
        el("div", { class: "pair" }, this.writeButton = button(say("Save"), () => this.write([this.view])),
          this.allButton = button(say("Save all"), () => this.writeAll())),
        el("div", { class: "three" }, button(say("Export"), () => this.house.go("export", `?view=${encodeURIComponent(this.view)}`), { title: say("Several aspects, another size, colour or kind, for paper or the screen") }),
          button(say("Words"), () => wordsDialog(this.house, [this.view]), { title: say("Title, caption and the rest, written into the picture") }),
          button(say("Copy to"), () => this.copy(), { title: say("Copy these settings to other views") })),
        el("div", { class: "three" }, button(say("Versions"), () => versionsDialog(this.house, this), { title: say("Versions of this view, sets of controls, and what was done") }),
          button(say("Side by side"), () => besideDialog(this.house, this), { title: say("Two pictures of this view beside one another") }),
          button(say("On paper"), () => paperDialog(this.house, this), { title: say("As a printer's or a paper's ICC profile shows it, and what it cannot show") })),
        this.tiff = el("label", { class: "check", title: say("Also as 16-bit TIFF") }, el("input", { type: "checkbox", id: "tiff" }), say("also TIFF")),
        this.network = el("label", { class: "check", title: say("Slower: a network takes out the noise of a single frame, when this view is saved") }, el("input", { type: "checkbox", id: "network" }), say("noise by network, this view")),
        this.report = el("p", { class: "quiet", hidden: true }, el("a", { href: "/kept/pictures/report.html", target: "_blank", rel: "noopener" }, say("Report")), ", ",
          el("a", { href: "/kept/pictures/sheet.jpg", target: "_blank", rel: "noopener" }, say("contact sheet")))));
    this.controls = new Controls((values) => this.preview(values, false), (values, gesture) => this.set(values, gesture),
      () => !this.exact && this.preview({}, true));
    this.controls.node.inert = true; // until it is known what they stand at
    this.none = el("section", { class: "empty none", hidden: true });
    this.node = el("div", { class: "finish" }, el("h1", { class: "unseen" }, say("Finish")), this.stage, this.says, this.controls.node);
    room.append(this.node, this.none);
  }

  visitChanged() {
    const views = this.house.visit.views;
    const have = [...this.name.options].map((o) => o.textContent).join();
    if (have !== views.map(called).join()) {
      this.name.replaceChildren(...views.map((v) => el("option", { value: v.name }, called(v))));
    }
    if (this.house.visit.key) this.noViews(!views.length);
    if (!views.length) return;
    if (!views.some((v) => v.name === this.view)) this.view = views[0].name;
    const pick = views.find((v) => v.name === this.view).pick;
    if (this.opened !== this.view || this.pick !== pick) this.open(this.view);
    this.queueChanged();
  }

  sortingChanged() {
    if (this.house.visit.key && !this.house.visit.views.length) this.noViews(true);
  }

  // Nothing to finish: no control is shown that would do nothing.
  noViews(none) {
    this.node.hidden = none;
    this.none.hidden = !none;
    if (!none) return this.none.replaceChildren();
    const { sorting, refused } = this.house.visit;
    const reading = sorting.state === "reading" || sorting.state === "waiting";
    const words = reading ? (sorting.total ? say("The frames are being read: {done} of {total}. Views appear here as soon as that is done.", { done: sorting.done, total: sorting.total })
      : say("The frames are being read. Views appear here as soon as that is done."))
      : sorting.state === "failed" ? told(sorting.said)
        : refused?.length ? say("None of the {n} files here can be used: {files}.", { n: refused.length, files: refused.slice(0, 3).map(([file, why]) => `${file} (${told(why)})`).join(", ") })
          : say("There are no frames in this folder yet. Import them from the card, or put your raw files into its folder frames, then read them.");
    this.none.replaceChildren(el("h1", {}, say("Finish")), el("p", {}, words),
      reading ? null : el("div", { class: "row" }, button(say("Import from a card"), () => { location.href = "/import"; }),
        button(say("Read the frames"), () => this.house.ask("sort again").catch(() => 0))));
  }

  // A view that cannot be shown: why, and what can be done about it.
  cannotOpen(said) {
    const { view } = this;
    const name = `recipes/${view}.toml`;
    const own = this.house.visit.recipes?.includes(view);
    this.stage.querySelector(".waiting").textContent = say("{view} cannot be shown.", { view });
    this.canvas.width = this.canvas.height = 0;
    this.sheetNode.style.width = this.sheetNode.style.height = "0";
    const actions = [[say("Try again"), () => { this.house.solved(`unseen ${view}`); this.again(); }]];
    if (own) actions.push([say("Open {name}", { name }), () => this.house.openText(name)], [say("Leave all to the tool"), () => this.dropRecipe(name, view)]);
    else actions.push([say("Read the frames again"), () => this.house.ask("sort again").catch(() => 0)]);
    this.house.problem(`unseen ${view}`, told(said), actions);
  }

  async dropRecipe(name, view) {
    const { revision } = await this.house.ask("text", { name });
    await this.house.ask("text drop", { name, based: revision });
    this.house.solved(`unseen ${view}`);
    this.house.note("step", say("{name} is put away; undo brings it back", { name }));
    setTimeout(() => this.house.note("step", ""), 6000);
    await this.house.refresh();
    this.again();
  }

  again() {
    this.opened = null;
    this.visitChanged();
  }

  // What is only waiting to be written is written now: an undo, or another page or view, comes after it.
  settle() {
    this.lines.settle();
    this.places.settle();
    this.controls.save();
  }

  stepped(place) {
    if (place && place !== this.view && this.house.visit.views.some((v) => v.name === place)) this.open(place);
  }

  queueChanged() {
    const state = this.house.visit.queue[this.view] ?? (this.house.visit.done.includes(this.view) ? "done" : "");
    this.writeButton.textContent = { waiting: say("Waiting"), writing: say("Saving"), done: say("Save again") }[state]
      ?? say("Save");
    const waits = this.waits();
    this.allButton.textContent = waits ? say("Stop saving") : say("Save all");
    this.allButton.title = waits ? say("The picture being saved is finished; the rest are not") : say("Save the pictures of all views");
    this.report.hidden = !this.house.visit.done.length;
    this.writeButton.disabled = state === "waiting" || state === "writing";
  }

  async open(view) {
    this.settle();
    this.view = this.opened = view;
    this.cropping = gesture("crop"); // by keys, in one stay at a view
    const facts = this.house.visit.views.find((v) => v.name === view);
    this.pick = facts.pick;
    this.name.value = view;
    history.replaceState(null, "", `/finish?view=${encodeURIComponent(view)}`);
    this.facts = null;
    this.trying = null;
    this.edgesOf = null;
    this.unproven();
    this.scale.to(null);
    if (this.lines.on) this.drawLinesOff();
    if (this.places.on) this.placesOn();
    this.node.classList.add("opening");
    this.stage.querySelector(".waiting").textContent = say("Opening {view}", { view });
    this.shot.querySelector("img").removeAttribute("src");
    this.beforeOf = null;
    this.marks.removeAttribute("src"); // another view's
    if (this.trim?.on) this.trim.close();
    this.showEdge(0);
    this.quick(facts.pick, view);
    this.queueChanged();
    let recipe;
    try {
      recipe = await this.wire.ask("recipe", { view });
    } catch (problem) {
      if (this.view === view && !problem.gone) this.cannotOpen(problem.message);
      return;
    }
    if (this.view !== view) return; // another was opened meanwhile
    this.recipe = recipe;
    this.known = { ...recipe };
    this.preview({}, true);
  }

  // The frame's small picture stands in until the view is read.
  async quick(frame, view) {
    const image = new Image();
    image.src = `/small/${encodeURIComponent(frame)}`;
    try { await image.decode(); } catch { return; }
    if (this.facts || this.view !== view) return;
    this.canvas.width = image.naturalWidth;
    this.canvas.height = image.naturalHeight;
    this.canvas.getContext("2d").drawImage(image, 0, 0);
    this.canvas.style.transform = "";
    this.fit();
  }

  go(step) {
    const views = this.house.visit.views;
    const at = views.findIndex((v) => v.name === this.view);
    const next = views[at + step];
    if (next) this.open(next.name);
  }

  // ---- previews

  // `values` are those of a control under the hand, over the recipe. While it moves the preview is a quick one, of no
  // more pixels than are seen of it; a lean is warped here at once and rendered when the server can.
  preview(values, settled) {
    if (!this.view || !this.recipe) return;
    this.wanted = { ...this.recipe, ...values };
    this.exact = settled;
    const n = ++this.number;
    this.begun.set(n, performance.now());
    const enough = Math.ceil(this.scale.across * window.devicePixelRatio) || WIDTH;
    this.wire.send({ do: "preview", n, view: this.view, values, width: WIDTH, enough, settled });
    // Only then what the page itself has to change: the server works meanwhile.
    if (this.proven !== this.recipeText()) this.unproven();
    if (this.sheet && ("plumb" in values || "swing" in values)) this.leanTo(values);
  }

  unproven() {
    this.proven = null;
    this.scale.stale();
  }

  async arrived(facts, bytes) {
    if (facts.view !== this.view || (this.drawn ?? 0) > facts.n) return;
    const bitmap = await createImageBitmap(new Blob([bytes], { type: "image/jpeg" }));
    if (facts.view !== this.view || (this.drawn ?? 0) > facts.n) return bitmap.close();
    this.drawn = facts.n;
    if (!this.lines.held) {
      [this.canvas.width, this.canvas.height] = [bitmap.width, bitmap.height];
      this.canvas.getContext("2d").drawImage(bitmap, 0, 0);
      this.take(facts);
    }
    bitmap.close();
    const begun = this.begun.get(facts.n);
    requestAnimationFrame(() => {
      const at = performance.now();
      this.house.latencies.push({ ms: at - begun, at, server: facts.took_ms, n: facts.n });
    });
    for (const n of this.begun.keys()) if (n <= facts.n) this.begun.delete(n);
    if (facts.n === this.toSettle && facts.n === this.number) this.preview({}, true);
  }

  // At once a quick one, then the exact one.
  soon() {
    this.preview({}, false);
    this.toSettle = this.number;
  }

  take(facts) {
    const first = !this.facts;
    this.facts = facts;
    if (first) this.house.solved(`unseen ${this.view}`);
    this.sheet = new Sheet(facts);
    this.lines.warp = null;
    this.fit();
    this.lines.show(this.sheet, this.wanted.lines ?? [], facts.line_errors);
    this.places.show(this.sheet, this.wanted.touches ?? [], facts.taken_out);
    this.controls.show(this.wanted, facts);
    this.node.classList.remove("opening");
    this.controls.node.inert = false;
    this.words(facts);
    if (this.at) this.wire.send({ do: "reading", view: this.view, x: this.at[0], y: this.at[1] });
    else this.whole();
    if (facts.settled && this.share) this.drawBefore();
    if (facts.settled && this.trim.on && this.trimOf !== this.recipeText()) this.trimOn(true);
    if (facts.settled) this.proveSoon();
    if (facts.spread) this.drawSpread(facts.spread);
    this.marks.classList.toggle("stale", !facts.settled);
    if (!this.marks.hidden && facts.settled) this.drawLimits();
  }

  recipeChanged(recipe) {
    this.recipe = recipe;
    if (!this.asking) this.known = { ...recipe };
    if (!this.facts) return;
    const moving = this.controls.dirty;
    const same = JSON.stringify(this.wanted) === JSON.stringify({ ...recipe, ...moving });
    if (Object.keys(moving).length || (same && (this.exact || this.controls.gesture))) this.controls.show(recipe, this.facts);
    else if (same) this.preview({}, true);
    else this.soon();
  }

  // A step back or forth that is being written: its picture is drawn meanwhile.
  recipeComing(recipe) {
    if (!this.facts || Object.keys(this.controls.dirty).length || recipe.pick !== this.recipe.pick) return;
    this.preview(this.changedValues(recipe), false);
  }

  // The picture on the page warped as the lean asked for would have it.
  leanTo({ plumb, swing }) {
    const now = this.facts.rectification;
    const wanted = { ...now, plumb: plumb ?? now.plumb, swing: swing === undefined ? now.swing : (swing * Math.PI) / 180 };
    const shown = this.sheetNode.getBoundingClientRect().width / this.facts.size[0];
    this.canvas.style.transform = css(this.sheet.warpTo(wanted), shown);
    const begun = performance.now();
    requestAnimationFrame(() => this.house.warps.push(performance.now() - begun));
  }

  // `was`: what this page knew, so that what another window set meanwhile is not overwritten unseen.
  async set(values, gesture) {
    const { view } = this;
    const was = Object.fromEntries(Object.keys(values).map((name) => [name, this.known?.[name] ?? null]));
    this.known = { ...this.known, ...values };
    this.asking = (this.asking ?? 0) + 1;
    const shown = this.number;
    try {
      const recipe = await this.house.ask("set", { view, values, gesture, was });
      if (recipe && this.view === view) this.recipe = recipe;
      // What was set stood so already: no change is told, and the quick picture is still followed by the exact one.
      if (this.number === shown && !this.exact && !this.controls.gesture) this.preview({}, true);
    } catch {
      this.recipe = await this.wire.ask("recipe", { view: this.view }).catch(() => this.recipe);
      this.preview({}, true);
    } finally {
      this.asking -= 1;
      if (!this.asking) this.known = { ...this.recipe };
    }
  }

  fit() {
    const room = this.facts?.room;
    const size = this.scale.proof?.size ?? (room ? [Math.floor(room[2]), Math.floor(room[3])] : [this.canvas.width, this.canvas.height]);
    this.scale.size = size;
    this.scale.layout();
  }

  // Another scale, or another state of what is shown.
  scaled() {
    const { scale } = this;
    if (scale.state === "proof") this.lostParts = 0;
    this.scaleWords.textContent = scale.words();
    this.scaleButton.textContent = scale.zoom === null ? "100 %" : say("Fit");
    this.scaleButton.setAttribute("aria-label", scale.zoom === null ? say("Show at 100 %") : say("Fit into the window"));
    this.state.textContent = { proof: say("Exactly as it will be saved"), coming: say("Quick look; the exact picture is being drawn"),
      quick: this.facts?.merged === false ? say("Quick look, of one frame; the others are being added") : say("Quick look; the exact picture is being made") }[scale.state] ?? "";
    this.state.dataset.state = scale.state;
    this.lines.draw();
    this.places.paint();
  }

  // The exact picture of what is shown, once the hand rests.
  proveSoon() {
    this.proveLater.cancel();
    if (this.facts?.merged && this.proven !== this.recipeText()) this.proveLater();
  }

  recipeText() {
    return `${this.view} ${JSON.stringify(this.wanted)}`;
  }

  async prove() {
    const asked = this.recipeText();
    const { view } = this;
    const values = this.changedValues();
    try {
      const found = await this.wire.ask("proof", { view, values });
      if (found.state === "unmerged" || this.view !== view || asked !== this.recipeText()) return;
      if (found.state === "overtaken") return this.proveSoon(); // another window asked for one meanwhile
      this.proven = asked;
      this.scale.prove(found);
    } catch (problem) {
      if (this.view === view && asked === this.recipeText()) this.state.textContent = say("Quick look. {message}", { message: told(problem.message) });
    }
  }

  // A part of the proof did not come: of proofs only the last few are kept. It is asked for again.
  lostPart() {
    this.lostParts += 1;
    this.unproven();
    if (this.lostParts < TRIES) return this.proveLater();
    this.lostParts = 0;
    this.state.textContent = say("Quick look; the exact picture does not come. Change a control to ask for it again.");
    return undefined;
  }

  // Lines ask for true verticals, even where the picture was left leaning.
  lineUp(lines) {
    const values = lines.length && this.recipe.plumb === 0 ? { lines, plumb: null } : { lines };
    this.preview(values, false);
    return this.set(values, "");
  }

  // ---- words

  held(tilt, roll) {
    const values = { tilt: degrees(tilt), roll: degrees(roll) };
    if (tilt >= 0) return roll >= 0 ? say("Tilted up {tilt}, rolled {roll} clockwise", values) : say("Tilted up {tilt}, rolled {roll} anticlockwise", values);
    return roll >= 0 ? say("Tilted down {tilt}, rolled {roll} clockwise", values) : say("Tilted down {tilt}, rolled {roll} anticlockwise", values);
  }

  lineWords(pitch, roll) {
    this.unproven();
    this.lean.textContent = say("{held}, by these lines.", { held: this.held((180 * pitch) / Math.PI, (180 * roll) / Math.PI) });
    this.sure.textContent = say("Let go to see how accurate");
    this.sure.dataset.verdict = "";
  }

  words(facts) {
    const { tilt, roll, left_tilt: leftTilt, left_roll: leftRoll } = facts.lean;
    const was = this.held(tilt, roll);
    const rest = Math.hypot(leftTilt, leftRoll);
    const steep = Math.abs(tilt) >= 50 && Math.abs(leftTilt - tilt) < 0.05; // plumb eases off to nothing there
    const guess = tilt || roll ? say("; perhaps {lean}", { lean: `${was[0].toLowerCase()}${was.slice(1)}` }) : "";
    this.lean.textContent = facts.verdict === "cannot tell" ? say("The vertical could not be found{guess}.", { guess })
      : `${tilt || roll ? `${was}. ` : ""}${rest < 0.05 ? say("Verticals are true.") : steep ? say("Left as shot.") : say("Verticals still lean {rest}.", { rest: degrees(rest) })}`;
    this.lean.dataset.left = rest.toFixed(3);
    const sure = { sure: say("Accurate to ±{bound}°", { bound: decimal(facts.bound, 2) }), unsure: say("Accurate only to ±{bound}°", { bound: decimal(facts.bound, 1) }), "cannot tell": say("Draw two vertical lines to set it") }[facts.verdict];
    this.sure.textContent = sure;
    this.sure.title = told(facts.reasons);
    this.sure.dataset.verdict = facts.verdict;
    this.oddsWords.textContent = told(facts.at_odds) ?? "";
    this.drawOffers(facts);
    this.lineButton.disabled = facts.joined;
    this.lineButton.title = facts.joined ? say("A panorama is straightened as it is stitched") : say("Draw lines along the building to straighten it");
    this.remarks.replaceChildren(...facts.remarks.map((r) => el("li", {}, told(r))));
    this.outline(facts);
    const lost = Object.entries(facts.lost).filter(([, v]) => v >= 0.005).map(([side, v]) => `${percent(v)} ${SIDES[side] ?? side}`);
    this.kept.textContent = lost.length ? say("{kept} of the frame kept, lost {lost}", { kept: percent(facts.kept), lost: lost.join(", ") }) : say("{kept} of the frame kept", { kept: percent(facts.kept) });
  }

  // How light is spread over the picture and over the raw: two silhouettes, one below the other.
  drawSpread({ shown, white, raw, clipped, raw_stops: stops }) {
    const shape = (values) => {
      const most = Math.max(...[...values].sort((a, b) => b - a).slice(2, 3), 1e-6); // two spikes do not flatten the rest
      return values.map((v, i) => `L${i} ${(16 - 16 * Math.min(1, v / most)).toFixed(2)}H${i + 1}`).join("");
    };
    const strip = (values, label, left, right, lost) => el("figure", { role: "img", "aria-label": label },
      svg("svg", { viewBox: `0 0 ${values.length} 16`, preserveAspectRatio: "none" },
        svg("path", { d: `M0 16${shape(values)}V16Z` }), lost ? svg("rect", { class: "lost", x: values.length - 1, width: 1, height: 16 }) : null),
      el("figcaption", { class: "quiet" }, el("span", {}, left), el("span", {}, right)));
    const whole = white >= 0.0005 ? say("{share} % white", { share: decimal(100 * white, 1) }) : say("white");
    const share = clipped >= 0.0005 ? say("{share} % clipped", { share: decimal(100 * clipped, 1) }) : say("none clipped");
    this.spread.replaceChildren(
      strip(shown, say("Spread of light in the picture, from black to white; {whole}", { whole }), say("picture: black"), whole, white >= 0.0005),
      strip(raw, say("Spread of the raw values over {stops} stops below clipping; {share}", { stops, share }), say("raw: {stops} stops below", { stops }), share, clipped >= 0.0005));
  }

  outline(facts) {
    const { width, height } = facts.camera;
    const scale = Math.min(120 / width, 90 / height);
    const [w, h] = [width * scale, height * scale];
    const path = facts.outline.map(([x, y]) => `${(x * w).toFixed(1)} ${(y * h).toFixed(1)}`).join("L");
    this.frame.setAttribute("viewBox", `-1 -1 ${w + 2} ${h + 2}`);
    this.frame.setAttribute("aria-label", say("What is kept of the frame: {kept}; arrows move the crop", { kept: percent(facts.kept) }));
    this.frame.replaceChildren(svg("rect", { width: w, height: h, class: "lost" }),
      svg("path", { d: `M${path}Z`, class: "held" }));
  }

  // With nothing under the pointer: the picture as a whole.
  whole() {
    this.at = null;
    const under = (v) => decimal(Math.max(0, -v), 1);
    if (this.facts) this.light.textContent = say("Glass {glass}, stone {stone} stops below white", { glass: under(this.facts.glass), stone: under(this.facts.stone) });
    this.light.classList.remove("clipped");
  }

  // The crop is placed by pulling it about on the small outline.
  placeFrom(event) {
    if (!this.facts) return;
    event.preventDefault();
    this.frame.setPointerCapture(event.pointerId);
    this.placing = { x: event.clientX, y: event.clientY, from: this.recipe.crop ?? [0, 0] };
  }

  placeTo(event, done) {
    const box = this.frame.getBoundingClientRect();
    const { x, y, from } = this.placing;
    const go = [(2 * (event.clientX - x)) / box.width, (2 * (event.clientY - y)) / box.height];
    const place = from.map((v, k) => Math.max(-1, Math.min(1, Math.round(100 * (v + go[k])) / 100)));
    if (done) this.placing = null;
    if (done) this.set({ crop: place }, "");
    else this.preview({ crop: place }, false);
  }

  placeKey(event) {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1], Backspace: null }[event.key];
    if (way === undefined || !this.facts) return;
    event.preventDefault();
    event.stopPropagation();
    const from = this.recipe.crop ?? [0, 0];
    const place = way && from.map((v, k) => Math.max(-1, Math.min(1, Math.round(100 * (v + 0.05 * way[k])) / 100)));
    this.set({ crop: place }, this.cropping);
  }

  point(event) {
    if (!this.facts || this.lines.held) return;
    const box = this.sheetNode.getBoundingClientRect();
    const [x, y] = [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
    this.at = [x, y];
    this.wire.send({ do: "reading", view: this.view, x, y });
  }

  read({ shown, raw, grain, clipped }) {
    if (shown === undefined || !this.at) return;
    const words = [say("Here {stops} stops below white", { stops: decimal(-shown, 1) }),
      clipped ? say("raw clipped") : say("raw {stops} stops below clipping", { stops: decimal(-raw, 1) })];
    if (grain > 0.12) words.push(say("noise {stops} stops", { stops: decimal(grain, 2) }));
    this.light.textContent = words.join("; ");
    this.light.classList.toggle("clipped", clipped);
  }

  // ---- places treated by themselves

  placesOn() {
    if (!this.facts) return;
    if (this.lines.on) this.drawLinesOff();
    if (this.trim.on) this.trim.close();
    this.placeButton.setAttribute("aria-pressed", this.places.toggle());
    this.told.scrollTop = 0;
  }

  // ---- the crop, drawn

  async trimOn(again = false) {
    if (!this.facts) return;
    if (this.trim.on && !again) { this.trim.close(); return; }
    const { view } = this;
    const of = this.trimOf = this.recipeText();
    const facts = await this.house.ask("whole", { view, values: this.changedValues(), width: WIDTH }).catch(() => null);
    if (!facts || this.view !== view || of !== this.trimOf) return;
    if (this.lines.on) this.drawLinesOff();
    if (this.places.on) this.placesOn();
    this.trimButton.setAttribute("aria-pressed", "true");
    this.trimTools.hidden = false;
    this.told.scrollTop = 0;
    this.sheetNode.hidden = true;
    this.trimFacts = facts;
    this.trim.node.hidden = false;
    this.trimFit();
    this.trim.open(facts);
  }

  trimOff() {
    this.trimOf = null;
    this.trimButton.setAttribute("aria-pressed", "false");
    this.trimTools.hidden = true;
    this.sheetNode.hidden = false;
    this.fit();
    this.trimButton.focus();
  }

  trimFit() {
    if (!this.trimFacts || this.trim.node.hidden) return;
    const box = this.stage.getBoundingClientRect();
    const [w, h] = this.trimFacts.size;
    const scale = Math.min(box.width / w, box.height / h) * 0.98;
    Object.assign(this.trim.node.style, { width: `${w * scale}px`, height: `${h * scale}px`, left: `${(box.width - w * scale) / 2}px`, top: `${(box.height - h * scale) / 2}px` });
    this.trim.draw();
  }

  changedValues(wanted = this.wanted) {
    return Object.fromEntries(Object.entries(wanted ?? {}).filter(([name, v]) => name !== "pick" && JSON.stringify(v ?? null) !== JSON.stringify(this.recipe[name] ?? null)));
  }

  // ---- before and after

  // What lies under the wipe: the frame as it was shot, straightened alike or as it was held.
  async drawBefore() {
    if (!this.facts) return;
    const { view } = this;
    const image = this.shot.querySelector("img");
    const held = this.before.value === "held";
    const of = held ? `${view} held` : JSON.stringify([view, this.facts.rectification, this.facts.room]);
    if (this.beforeOf === of) return;
    this.beforeOf = of;
    image.classList.toggle("alike", !held);
    if (held) { image.src = `/as-shot/${encodeURIComponent(view)}`; return; }
    const bytes = await this.house.ask("before", { view, values: this.changedValues(), width: WIDTH }).catch(() => null);
    if (!bytes || this.beforeOf !== of) return;
    const old = image.src;
    image.src = URL.createObjectURL(new Blob([bytes], { type: "image/jpeg" }));
    if (old.startsWith("blob:")) URL.revokeObjectURL(old);
  }

  // A key pressed shows the frame as shot until it is pressed again; held, until it is let go.
  flip(event) {
    if (event.repeat) return;
    const was = this.share;
    const begun = performance.now();
    this.showEdge(was > 0.5 ? 0 : 1);
    addEventListener("keyup", () => { if (performance.now() - begun > 400) this.showEdge(was); }, { once: true });
  }

  grab(event) {
    event.preventDefault();
    this.edge.setPointerCapture(event.pointerId);
    const move = (e) => {
      const box = this.sheetNode.getBoundingClientRect();
      this.showEdge((e.clientX - box.left) / box.width);
    };
    const end = () => {
      this.edge.removeEventListener("pointermove", move);
      this.edge.removeEventListener("pointerup", end);
    };
    this.edge.addEventListener("pointermove", move);
    this.edge.addEventListener("pointerup", end);
  }

  showEdge(share) {
    if (share > 0) this.drawBefore();
    this.share = Math.max(0, Math.min(1, share));
    this.edge.style.left = `${100 * this.share}%`;
    this.shot.style.clipPath = `inset(0 ${100 * (1 - this.share)}% 0 0)`;
    this.edge.setAttribute("aria-valuenow", Math.round(100 * this.share));
    this.edge.setAttribute("aria-valuetext", this.share ? say("{share} % as shot", { share: Math.round(100 * this.share) }) : say("all finished"));
  }

  edgeKey(event) {
    const step = { ArrowLeft: -0.02, ArrowRight: 0.02, Home: -1, End: 1 }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    this.showEdge(this.share + step);
  }

  // ---- lines, limits, pixels

  async drawLines() {
    if (!this.facts || this.facts.joined) return;
    if (this.places.on) this.placesOn();
    const on = this.lines.toggle();
    this.lineButton.setAttribute("aria-pressed", on);
    this.lineTools.hidden = !on;
    this.told.scrollTop = 0;
    const view = this.view;
    if (!on || this.edgesOf === view) return;
    this.edgesOf = view;
    const edges = await this.house.ask("edges", { view }).catch(() => []);
    if (this.view === view) this.lines.found(edges);
  }

  drawLinesOff() {
    this.lines.found([]);
    this.lines.toggle();
    this.lineButton.setAttribute("aria-pressed", "false");
    this.lineTools.hidden = true;
  }

  lineChanged() {
    this.removeButton.disabled = !this.lines.lines.length;
    this.edgeButton.hidden = !this.lines.offer;
  }

  // What the tool would do on demand: shown while the pointer or the focus is on its button, done when it is pressed.
  drawOffers(facts) {
    if (this.trying) return;
    const offers = [
      facts.swing_offer !== null && [say("Swing it"), say("Swing {swing}° would centre the axis", { swing: signed(facts.swing_offer) }), { swing: Math.round(10 * facts.swing_offer) / 10 }],
      facts.plumb_offer && [say("Make it plumb"), say("Part of the tilt is left, as one looks up"), { plumb: 1 }],
      facts.mixed_offer && [say("Even the lamps"), say("Lamps colour part of it"), { mixed_light: facts.mixed_offer }],
    ].filter(Boolean);
    const now = JSON.stringify(offers);
    if (now === this.offered) return;
    this.offered = now;
    this.offers.replaceChildren(...offers.map(([does, words, values]) => el("div", { class: "offered" }, el("p", { class: "quiet" }, words),
      button(does, () => this.takeOffer(values), { onpointerenter: () => this.tryOut(values), onpointerleave: () => this.tryOut(null), onfocus: () => this.tryOut(values), onblur: () => this.tryOut(null) }))));
  }

  tryOut(values) {
    if (!values && !this.trying) return;
    this.trying = values;
    this.preview(values ?? {}, !values);
  }

  takeOffer(values) {
    this.trying = null;
    this.preview(values, false);
    this.set(values, "");
  }

  limits() {
    if (!this.facts) return;
    this.marks.hidden = !this.marks.hidden;
    this.limitButton.setAttribute("aria-pressed", !this.marks.hidden);
    this.legend.hidden = this.marks.hidden;
    if (!this.marks.hidden) this.drawLimits();
  }

  async drawLimits() {
    const bytes = await this.house.ask("marks", { view: this.view }).catch(() => null);
    if (!bytes) return;
    const old = this.marks.src;
    this.marks.src = URL.createObjectURL(new Blob([bytes], { type: "image/png" }));
    this.marks.alt = say("Gold: clipped in the raw. Violet: noise shows in the shade.");
    if (old) URL.revokeObjectURL(old);
  }

  // ---- copying and writing

  copy() {
    if (!this.recipe) return;
    const { view } = this;
    this.settle();
    const what = NAMES.map(([name, label]) => el("label", { class: "check" },
      el("input", { type: "checkbox", value: name, checked: (this.wanted ?? this.recipe)[name] !== null && name !== "crop" }), label));
    const to = this.house.visit.views.filter((v) => v.name !== view).map((v) => el("label", { class: "check" },
      el("input", { type: "checkbox", value: v.name }), called(v)));
    const chosen = (boxes) => boxes.map((b) => b.querySelector("input")).filter((i) => i.checked).map((i) => i.value);
    const all = button(say("All"), () => to.forEach((b) => { b.querySelector("input").checked = true; }));
    const dialog = el("dialog", { "aria-labelledby": "copy-title" }, el("h2", { id: "copy-title" }, say("Copy from {view}", { view })),
      el("fieldset", {}, el("legend", {}, say("Settings")), ...what), el("fieldset", {}, el("legend", {}, say("To these views")), all, ...to),
      el("form", { method: "dialog", class: "row" }, el("button", { value: "copy" }, say("Copy")), el("button", { value: "" }, say("Cancel"))));
    document.body.append(dialog);
    dialog.addEventListener("close", () => {
      if (dialog.returnValue === "copy") this.house.ask("copy", { view, others: chosen(to), what: chosen(what) }).catch(() => 0);
      dialog.remove();
    });
    dialog.showModal();
  }

  write(views) {
    if (!views.filter(Boolean).length) return;
    this.settle();
    const better = views.length === 1 && this.network.querySelector("input").checked;
    this.house.ask("export", { views, tiff: this.tiff.querySelector("input").checked, better }).catch(() => 0);
  }

  waits() {
    return Object.values(this.house.visit.queue).includes("waiting");
  }

  writeAll() {
    if (this.waits()) this.house.ask("stop writing").catch(() => 0);
    else this.write(this.house.visit.views.map((v) => v.name));
  }

  frameless(on) {
    document.body.classList.toggle("frameless", on ?? !document.body.classList.contains("frameless"));
  }

  keysInside() {
    return [["← →", say("change the control")], ["Backspace", say("the control back to automatic")], ["← ↑ → ↓", say("move the end of a line, the crop, or about in a large picture")], ["Shift ← →", say("finer steps of a control")],
      ["Enter", say("the line onto the dashed edge")], ["Delete", say("remove the line")]];
  }

  keys() {
    return [
      ["PageDown", say("next view"), () => this.go(1)],
      ["PageUp", say("previous view"), () => this.go(-1)],
      ["l", say("draw lines along the building"), () => this.drawLines()],
      ["b", say("the frame as shot, and back; held: as long as it is"), (event) => this.flip(event)],
      ["v", say("versions, sets, what was done"), () => this.facts && versionsDialog(this.house, this)],
      ["s", say("side by side"), () => this.facts && besideDialog(this.house, this)],
      ["c", say("draw the crop"), () => this.trimOn()],
      ["p", say("places treated by themselves"), () => this.placesOn()],
      ["m", say("mark clipping and noise"), () => this.limits()],
      ["i", say("100 % about the pointer, and fitted again"), () => this.scale.swap(this.at)],
      ["+", say("larger"), () => this.scale.step(1)],
      ["-", say("smaller"), () => this.scale.step(-1)],
      ["a", say("the picture alone"), () => this.frameless()],
      ["t", say("copy to other views"), () => this.copy()],
      ["k", say("save this picture"), () => this.write([this.view])],
      ...NAMES.slice(0, 9).map(([, label], i) =>
        [String(i + 1), label, () => this.controls.focus(i)]),
    ];
  }
}
