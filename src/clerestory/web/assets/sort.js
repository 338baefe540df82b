// The sort page: views as rows of frames, or as a grid where most have one frame; only those in sight are drawn.

import { button, called, debounce, el, percent } from "./build.js";
import { compareFrames } from "./compare.js";
import { Large } from "./large.js";
import { decimal, say, told } from "./say.js";
import { wordsDialog } from "./words.js";

const ROW = 244; // pixels a row takes, as style.css has it
const FEW = 4; // views that fit a window as rows
const CELL = [204, 214]; // pixels of a cell of the grid: least width, height

export class Sort {
  constructor(house, room) {
    this.house = house;
    this.rows = new Map();
    this.facts = new Map();
    this.chosen = new Set();
    this.at = [0, 0];
    this.grid = null; // by what most views are, until a person chooses
    this.list = el("div", { class: "rows", role: "list", "aria-label": say("Views") });
    this.pile = el("div", { class: "pile", tabindex: -1 }, this.list);
    this.lead = el("p", { class: "quiet lead" });
    this.foot = el("p", { class: "foot quiet", role: "status" });
    this.gridButton = button(say("Grid"), () => this.toggleGrid(), { "aria-pressed": "false", title: say("One picture for each view, or all frames of each in a row") });
    this.tools = el("div", { class: "row" }, this.gridButton,
      button(say("Pick this frame"), () => this.pick()),
      button(say("Large"), () => this.enlarge(), { title: say("One frame as large as the window, with its settings") }),
      button(say("Compare"), () => this.compare(), { title: say("With the pick, or any two frames chosen with Ctrl and a click") }),
      this.splitButton = button(say("New view of chosen frames"), () => this.split()),
      button(say("Join to the view above"), () => this.join()),
      button(say("Leave out"), () => this.leaveOut(), { title: say("This frame, or the chosen ones, in no view; nothing is deleted") }),
      button(say("Words"), () => this.words(), { title: say("Title, caption and the rest, for this view or those of the chosen frames") }),
      this.outButton = button("", () => this.bringBack(), { hidden: true }),
      button(say("Finish this view"), () => this.finish()),
      button(say("Read frames again"), () => this.house.ask("sort again").catch(() => 0)));
    room.append(el("div", { class: "sort" }, el("div", { class: "bar" }, el("h1", {}, say("Sort")), this.lead, this.tools), this.pile, this.foot));
    this.pile.addEventListener("scroll", () => this.draw(), { passive: true });
    this.off = [this.house.wire.on("recipe", debounce(() => this.house.refresh(), 200))];
    this.resized = new ResizeObserver(() => this.laid());
    this.resized.observe(this.pile);
  }

  close() {
    this.off.forEach((off) => off());
    this.resized.disconnect();
    this.large?.dialog.close();
  }

  get views() {
    return this.house.visit.views;
  }

  visitChanged() {
    this.facts.clear();
    this.at = this.placeOf(this.stood) ?? [Math.min(this.at[0], Math.max(0, this.views.length - 1)), this.at[1]];
    if (this.grid === null && this.views.length) this.grid = this.views.length > FEW && this.views.filter((v) => v.frames.length === 1).length > this.views.length / 2;
    this.sortingChanged();
    this.again();
  }

  // Where a frame stands now, which other views may have been put before; null where it is in none.
  placeOf(frame) {
    const number = this.views.findIndex((v) => v.frames.includes(frame));
    return number < 0 ? null : [number, this.views[number].frames.indexOf(frame)];
  }

  toggleGrid() {
    this.grid = !this.grid;
    this.again();
    this.inSight(this.at[0]);
    this.mark(true);
  }

  // ---- rows or a grid

  again() {
    for (const { node } of this.rows.values()) node.remove();
    this.rows.clear();
    this.told = null;
    this.gridButton.setAttribute("aria-pressed", String(Boolean(this.grid)));
    this.pile.classList.toggle("as-grid", Boolean(this.grid));
    this.laid();
  }

  laid() {
    const columns = this.grid ? Math.max(2, Math.floor(this.list.clientWidth / CELL[0])) : 1;
    if (columns !== this.columns) {
      for (const { node } of this.rows.values()) node.remove();
      this.rows.clear();
    }
    this.columns = columns;
    this.tall = this.grid ? CELL[1] : ROW;
    this.list.style.height = `${this.tall * Math.ceil(this.views.length / columns)}px`;
    this.draw();
  }

  sortingChanged() {
    const { sorting, frames, refused } = this.house.visit;
    const bad = refused?.length ? say("; {n} files could not be used: {files}", { n: refused.length, files: refused.slice(0, 3).map(([f, why]) => `${f} (${told(why)})`).join(", ") }) : "";
    const words = {
      reading: say("Reading frames: {done} of {total}", { done: sorting.done ?? 0, total: sorting.total ?? 0 }),
      failed: told(sorting.said),
      stopped: told(sorting.said),
    };
    const out = this.house.visit.left_out?.length ?? 0;
    this.outButton.hidden = !out;
    this.outButton.textContent = say("{n} left out", { n: out });
    this.lead.textContent = words[sorting.state] ?? say("{frames} frames, {views} views", { frames: Object.keys(frames ?? {}).length, views: this.views.length }) + bad;
  }

  // ---- frames left out, words

  // In the grid a picture stands for its whole view.
  get marked() {
    const { view, frame } = this.here;
    const those = this.chosen.size ? [...this.chosen] : frame ? [frame] : [];
    if (!this.grid) return those;
    return (this.chosen.size ? this.views.filter((v) => v.frames.some((f) => this.chosen.has(f))) : [view].filter(Boolean)).flatMap((v) => v.frames);
  }

  leaveOut(frames = this.marked) {
    if (!frames.length) return;
    this.house.ask("leave out", { frames }).then(() => this.chosenNoMore(frames)).catch(() => 0);
  }

  bringBack() {
    const cells = (this.house.visit.left_out ?? []).map((frame) => el("div", { class: "back" },
      el("img", { src: `/small/${encodeURIComponent(frame)}`, alt: frame }), el("p", { class: "quiet" }, frame),
      button(say("Bring back"), () => this.house.ask("bring back", { frames: [frame] }).then(() => dialog.close(), () => 0))));
    const dialog = el("dialog", { class: "wide", "aria-label": say("Frames left out") }, el("h2", {}, say("Left out")), el("div", { class: "backs" }, ...cells),
      button(say("Close"), () => dialog.close()));
    document.body.append(dialog);
    dialog.addEventListener("close", () => dialog.remove());
    dialog.showModal();
  }

  words() {
    const { view } = this.here;
    const those = this.views.filter((v) => v.frames.some((f) => this.chosen.has(f))).map((v) => v.name);
    wordsDialog(this.house, those.length ? those : view ? [view.name] : []);
  }

  // ---- rows in sight

  draw() {
    const { columns, tall } = this;
    if (!columns) return;
    const first = columns * Math.max(0, Math.floor(this.pile.scrollTop / tall) - 2);
    const last = Math.min(this.views.length, columns * (Math.ceil((this.pile.scrollTop + this.pile.clientHeight) / tall) + 2));
    for (const [number, row] of this.rows) {
      if (number < first || number >= last) {
        row.node.remove();
        this.rows.delete(number);
      }
    }
    const fresh = [];
    for (let number = first; number < last; number++) {
      if (!this.rows.has(number)) {
        const row = this.grid ? this.tile(this.views[number], number) : this.row(this.views[number], number);
        this.rows.set(number, row);
        fresh.push(row.node);
      }
    }
    if (!fresh.length && this.told === `${this.at}`) return;
    this.list.append(...fresh);
    this.mark();
  }

  tile(view, number) {
    const facts = this.house.visit.frames[view.pick] ?? {};
    const i = Math.max(0, view.frames.indexOf(view.pick));
    const many = view.frames.length > 1;
    const notes = el("span", { class: "notes" });
    const node = el("button", { type: "button", class: "frame tile", tabIndex: -1, "data-frame": view.pick, title: `${view.pick}: ${told(facts.settings)}. ${told(view.why)}`,
      onclick: (e) => this.select(number, i, e.ctrlKey || e.shiftKey), ondblclick: () => this.enlarge() },
      el("img", { src: `/small/${encodeURIComponent(view.pick)}`, alt: "", loading: "lazy", decoding: "async" }),
      el("span", { class: "line" }, el("span", { class: "title" }, called(view)), el("span", {}, many ? say("{n} frames, {kind}", { n: view.frames.length, kind: told(view.kind_words) }) : say("sharpness {sharpness}", { sharpness: decimal(facts.sharpness ?? 0, 2) })),
        many ? "" : this.clip(facts.clipped ?? 0)), notes);
    const box = el("div", { class: "view cell", role: "listitem", "aria-label": `${called(view)}, ${told(view.kind_words)}` }, node);
    box.style.top = `${Math.floor(number / this.columns) * this.tall}px`;
    box.style.left = `${(100 * (number % this.columns)) / this.columns}%`;
    box.style.width = `${100 / this.columns}%`;
    const cells = [{ node, notes, frame: view.pick, i }];
    if (many) this.detail(view, cells);
    return { node: box, cells };
  }

  row(view, number) {
    const best = Math.max(...view.frames.map((f) => this.house.visit.frames[f]?.sharpness ?? 0), 0.001);
    const cells = view.frames.map((frame, i) => this.cell(view, frame, best, number, i));
    const doubt = el("p", { class: "doubt" });
    const node = el("div", { class: "view", role: "listitem", "aria-label": `${called(view)}, ${told(view.kind_words)}` },
      el("div", { class: "about" }, el("h2", {}, called(view)), el("p", {}, told(view.kind_words)), doubt, el("p", { class: "quiet why", title: told(view.why) }, told(view.why))),
      el("div", { class: "frames" }, ...cells.map((c) => c.node)));
    node.style.top = `${number * ROW}px`;
    this.detail(view, cells, doubt);
    return { node, cells };
  }

  cell(view, frame, best, number, i) {
    const facts = this.house.visit.frames[frame] ?? {};
    const sharp = (facts.sharpness ?? 0) / best;
    const pick = view.pick === frame;
    const bar = el("span", { class: "sharp", "aria-hidden": "true" });
    bar.style.setProperty("--share", sharp.toFixed(3));
    const notes = el("span", { class: "notes" });
    const words = say("{frame}, {share} of the sharpest ", { frame, share: percent(sharp) });
    const node = el("button", { type: "button", class: pick ? "frame pick" : "frame", tabIndex: -1, "data-frame": frame,
      title: `${frame}: ${told(facts.settings)}`,
      onclick: (e) => this.select(number, i, e.ctrlKey || e.shiftKey), ondblclick: () => this.pick() },
      el("span", { class: "unseen" }, words), el("img", { src: `/small/${encodeURIComponent(frame)}`, alt: "", loading: "lazy", decoding: "async" }), bar,
      el("span", { class: "line" }, el("span", {}, view.frames.length === 1 ? say("sharpness {sharpness}", { sharpness: decimal(facts.sharpness ?? 0, 2) })
        : `${pick ? say("pick, ") : ""}${sharp === 1 ? say("sharpest") : say("{share} of the sharpest", { share: percent(sharp) })}`), this.clip(facts.clipped ?? 0)), notes);
    return { node, notes, frame, i };
  }

  clip(share) {
    const node = el("span", { class: share > 0.02 ? "clip much" : "clip" }, share < 0.0005 ? say("no clipping") : say("{share} clipped", { share: percent(share, 1) }));
    return node;
  }

  factsOf(view) {
    if (!this.facts.has(view.name)) this.facts.set(view.name, this.house.wire.ask("frames", { view: view.name }).catch(() => ({})));
    return this.facts.get(view.name);
  }

  // What needs the frames' small pictures: soft edges, visitors, what belongs together. Not asked while one scrolls past.
  async detail(view, cells, doubt) {
    if (!this.facts.has(view.name)) await new Promise((done) => setTimeout(done, 250));
    if (!cells[0]?.node.isConnected) return;
    const facts = await this.factsOf(view);
    const unlike = view.frames.filter((f) => facts[f]?.stranger);
    if (doubt && unlike.length) doubt.textContent = unlike.length > 2 ? say("Something else in {frames} and more?", { frames: unlike.slice(0, 2).join(", ") }) : say("Something else in {frames}?", { frames: unlike.join(", ") });
    for (const { node, notes, frame } of cells) {
      const found = facts[frame];
      if (!found) continue;
      const words = [];
      if (found.stranger || (this.grid && unlike.length)) words.push(say("nothing in common with the rest"));
      if (found.soft) words.push(say("soft"));
      if (found.moved > 0.002) words.push(say("{share} differs from the pick", { share: percent(found.moved, 1) }));
      notes.textContent = words.join(", ");
      notes.classList.toggle("doubt", Boolean(found.stranger));
      const clip = node.querySelector(".clip");
      if (clip) clip.title = say("{share} is clipped in at least one channel of the raw", { share: percent(found.clipped_any, 1) });
    }
  }

  // What is known of the frame one is at, and what it has in common with the pick of its view.
  async tell() {
    const { view, frame } = this.here;
    const facts = this.house.visit.frames[frame];
    if (!facts) { this.foot.textContent = ""; return; }
    const words = `${frame}: ${told(facts.settings)}${facts.time ? `, ${facts.time.slice(11, 19)}` : ""}`;
    this.foot.textContent = words;
    if (view.frames.length < 2) return;
    const found = (await this.factsOf(view))[frame];
    if (this.here.frame !== frame) return;
    this.foot.textContent = `${words}. ${found?.together ? say("Against the pick: {together}", { together: told(found.together) }) : say("The pick of its view")}`;
  }

  // ---- choosing

  select(number, i, more) {
    this.at = [number, i];
    const frame = this.views[number]?.frames[i];
    if (more && frame) {
      if (this.chosen.has(frame)) this.chosen.delete(frame);
      else this.chosen.add(frame);
    }
    this.mark(true);
  }

  mark(focus = false) {
    for (const [number, row] of this.rows) {
      row.cells.forEach(({ node, frame, i }) => {
        const here = number === this.at[0] && (this.grid || i === this.at[1]);
        node.tabIndex = here ? 0 : -1;
        node.classList.toggle("here", here);
        node.setAttribute("aria-pressed", this.chosen.has(frame));
        if (here && focus && !this.large) node.focus({ preventScroll: false });
      });
    }
    this.stood = this.here.frame;
    if (this.told !== `${this.at}`) this.tell();
    this.told = `${this.at}`;
    this.splitButton.disabled = !this.chosen.size;
  }

  // Go to another view, or to another frame of this one; past its last frame to the next view's first.
  walk(views, frames) {
    const number = Math.max(0, Math.min(this.views.length - 1, this.at[0] + views));
    const count = this.views[number]?.frames.length ?? 1;
    const i = views ? Math.max(0, this.views[number]?.frames.indexOf(this.views[number].pick)) : this.at[1] + frames;
    if (i < 0 && number > 0) this.at = [number - 1, this.views[number - 1].frames.length - 1];
    else if (i >= count && number < this.views.length - 1) this.at = [number + 1, 0];
    else this.at = [number, Math.max(0, Math.min(count - 1, i))];
    this.inSight(this.at[0]);
  }

  inSight(number) {
    const top = Math.floor(number / this.columns) * this.tall;
    if (top < this.pile.scrollTop) this.pile.scrollTop = top;
    if (top + this.tall > this.pile.scrollTop + this.pile.clientHeight) this.pile.scrollTop = top + this.tall - this.pile.clientHeight;
    this.draw();
    this.mark();
  }

  step(rows, frames) {
    if (this.grid) {
      const number = Math.max(0, Math.min(this.views.length - 1, this.at[0] + rows * this.columns + frames));
      this.at = [number, Math.max(0, this.views[number]?.frames.indexOf(this.views[number].pick) ?? 0)];
    } else {
      const number = Math.max(0, Math.min(this.views.length - 1, this.at[0] + rows));
      const count = this.views[number]?.frames.length ?? 1;
      this.at = [number, rows ? Math.min(this.at[1], count - 1) : Math.max(0, Math.min(count - 1, this.at[1] + frames))];
    }
    this.inSight(this.at[0]);
    this.mark(true);
  }

  get here() {
    const view = this.views[this.at[0]];
    return { view, frame: view?.frames[this.at[1]] };
  }

  // ---- doing

  pick() {
    const { view, frame } = this.here;
    if (!frame) return;
    const own = view.own_pick;
    this.house.ask("pick", { view: view.name, frame, own }).catch(() => 0);
  }

  // Those that were chosen meanwhile stay so.
  chosenNoMore(frames) {
    frames.forEach((frame) => this.chosen.delete(frame));
    this.mark();
  }

  split() {
    const { view } = this.here;
    const frames = view.frames.filter((f) => this.chosen.has(f));
    this.house.ask("split", { view: view.name, frames }).then(() => this.chosenNoMore(frames)).catch(() => 0);
  }

  join() {
    const above = this.views[this.at[0] - 1]?.name;
    const { view } = this.here;
    if (!above) return;
    this.house.ask("join", { view: above, other: view.name }).then(async (doubt) => {
      const step = doubt && (await this.lastStep());
      this.house.problem("unlike", told(doubt), [[say("Put them apart again"), () => this.apart(above, view.frames, step)], [say("They belong together"), () => this.house.solved("unlike")]]);
    }, () => 0);
  }

  // What undo would take back, in words.
  async lastStep() {
    return (await this.house.wire.ask("ahead", { scope: "sort" }).catch(() => null))?.undo;
  }

  // The joining taken back; after other steps, which stand, the frames are put into a view of their own.
  async apart(view, frames, step) {
    this.house.solved("unlike");
    if (step && step === (await this.lastStep())) return this.house.step("undo");
    return this.house.ask("split", { view, frames }).catch(() => 0);
  }

  finish() {
    const { view } = this.here;
    if (view) this.house.go("finish", `?view=${encodeURIComponent(view.name)}`);
  }

  enlarge() {
    if (this.here.frame) this.large = new Large(this);
  }

  compare() {
    const { view, frame } = this.here;
    if (!frame) return;
    const two = [...this.chosen].filter((f) => this.house.visit.frames[f]);
    const other = frame === view.pick ? view.frames.find((f) => f !== frame) ?? frame : frame;
    const pair = two.length === 2 ? two : [view.pick, other];
    if (pair[0] === pair[1]) {
      this.house.note("step", say("choose two frames to compare: Ctrl and a click, or the space bar"));
      setTimeout(() => this.house.note("step", ""), 5000);
      return;
    }
    compareFrames(this.house, pair, this.views.find((v) => pair.every((f) => v.frames.includes(f))));
  }

  keys() {
    return [
      ["ArrowDown", say("view below"), () => this.step(1, 0)],
      ["ArrowUp", say("view above"), () => this.step(-1, 0)],
      ["ArrowLeft", say("previous frame"), () => this.step(0, -1)],
      ["ArrowRight", say("next frame"), () => this.step(0, 1)],
      ["PageDown", say("further down"), () => this.step(4, 0)],
      ["PageUp", say("further up"), () => this.step(-4, 0)],
      ["Enter", say("pick this frame"), () => this.pick(), true],
      [" ", say("choose this frame, or not"), () => this.select(...this.at, true), true],
      ["f", say("this frame large, with its settings"), () => this.enlarge()],
      ["r", say("rows or a grid"), () => this.toggleGrid()],
      ["v", say("compare with the pick, or any two chosen frames"), () => this.compare()],
      ["m", say("new view of the chosen frames"), () => this.split()],
      ["h", say("join to the view above"), () => this.join()],
      ["e", say("leave this frame out, or the chosen ones"), () => this.leaveOut()],
      ["w", say("words of this view"), () => this.words()],
      ["o", say("open this view in Finish"), () => this.finish()],
    ];
  }
}
