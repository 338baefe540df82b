// The sort page: views as rows of frames, only those in sight drawn.

import { button, called, debounce, el, percent } from "./build.js";
import { roam } from "./finish.js";
import { wordsDialog } from "./words.js";

const ROW = 244; // pixels a row takes, as style.css has it

export class Sort {
  constructor(house, room) {
    this.house = house;
    this.rows = new Map();
    this.facts = new Map();
    this.chosen = new Set();
    this.at = [0, 0];
    this.list = el("div", { class: "rows", role: "list", "aria-label": "Views" });
    this.pile = el("div", { class: "pile", tabindex: -1 }, this.list);
    this.lead = el("p", { class: "quiet lead" });
    this.tools = el("div", { class: "row" },
      button("Pick this frame", () => this.pick()),
      button("Compare with the pick", () => this.compare(), { title: "Or two frames chosen with Ctrl and a click" }),
      this.splitButton = button("New view of chosen frames", () => this.split()),
      button("Join to the view above", () => this.join()),
      button("Leave out", () => this.leaveOut(), { title: "This frame, or the chosen ones, in no view; nothing is deleted" }),
      button("Words", () => this.words(), { title: "Title, caption and the rest, for this view or those of the chosen frames" }),
      this.outButton = button("", () => this.bringBack(), { hidden: true }),
      button("Finish this view", () => this.finish()),
      button("Read frames again", () => this.house.ask("sort again").catch(() => 0)));
    room.append(el("div", { class: "sort" }, el("div", { class: "bar" }, el("h1", {}, "Sort"), this.lead, this.tools), this.pile));
    this.pile.addEventListener("scroll", () => this.draw(), { passive: true });
    this.off = [this.house.wire.on("recipe", debounce(() => this.house.refresh(), 200))];
    this.resized = new ResizeObserver(() => this.draw());
    this.resized.observe(this.pile);
  }

  close() {
    this.off.forEach((off) => off());
    this.resized.disconnect();
  }

  get views() {
    return this.house.visit.views;
  }

  visitChanged() {
    for (const { node } of this.rows.values()) node.remove();
    this.rows.clear();
    this.facts.clear();
    this.list.style.height = `${ROW * this.views.length}px`;
    this.at = [Math.min(this.at[0], Math.max(0, this.views.length - 1)), this.at[1]];
    this.sortingChanged();
    this.draw();
  }

  sortingChanged() {
    const { sorting, frames, refused } = this.house.visit;
    const bad = refused?.length ? `; ${refused.length} files could not be used: ${refused.slice(0, 3).map(([f, why]) => `${f} (${why})`).join(", ")}` : "";
    const words = {
      reading: `Reading frames: ${sorting.done ?? 0} of ${sorting.total ?? 0}`,
      failed: sorting.said,
      stopped: sorting.said,
    };
    const out = this.house.visit.left_out?.length ?? 0;
    this.outButton.hidden = !out;
    this.outButton.textContent = `${out} left out`;
    this.lead.textContent = words[sorting.state] ?? `${Object.keys(frames ?? {}).length} frames, ${this.views.length} views${bad}`;
  }

  // ---- frames left out, words

  get marked() {
    const { frame } = this.here;
    return this.chosen.size ? [...this.chosen] : frame ? [frame] : [];
  }

  leaveOut() {
    if (!this.marked.length) return;
    this.house.ask("leave out", { frames: this.marked }).then(() => this.chosen.clear()).catch(() => 0);
  }

  bringBack() {
    const cells = (this.house.visit.left_out ?? []).map((frame) => el("div", { class: "back" },
      el("img", { src: `/small/${encodeURIComponent(frame)}`, alt: frame }), el("p", { class: "quiet" }, frame),
      button("Bring back", () => this.house.ask("bring back", { frames: [frame] }).then(() => dialog.close(), () => 0))));
    const dialog = el("dialog", { class: "wide", "aria-label": "Frames left out" }, el("h2", {}, "Left out"), el("div", { class: "backs" }, ...cells),
      button("Close", () => dialog.close()));
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
    const first = Math.max(0, Math.floor(this.pile.scrollTop / ROW) - 2);
    const last = Math.min(this.views.length, Math.ceil((this.pile.scrollTop + this.pile.clientHeight) / ROW) + 2);
    for (const [number, row] of this.rows) {
      if (number < first || number >= last) {
        row.node.remove();
        this.rows.delete(number);
      }
    }
    for (let number = first; number < last; number++) {
      if (!this.rows.has(number)) {
        const row = this.row(this.views[number], number);
        this.rows.set(number, row);
        this.list.append(row.node);
      }
    }
    this.mark();
  }

  row(view, number) {
    const best = Math.max(...view.frames.map((f) => this.house.visit.frames[f]?.sharpness ?? 0), 0.001);
    const cells = view.frames.map((frame, i) => this.cell(view, frame, best, number, i));
    const node = el("div", { class: "view", role: "listitem", "aria-label": `${called(view)}, ${view.kind_words}` },
      el("div", { class: "about" }, el("h2", {}, called(view)), el("p", {}, view.kind_words), el("p", { class: "quiet why", title: view.why }, view.why)),
      el("div", { class: "frames" }, ...cells.map((c) => c.node)));
    node.style.top = `${number * ROW}px`;
    this.detail(view, cells);
    return { node, cells };
  }

  cell(view, frame, best, number, i) {
    const facts = this.house.visit.frames[frame] ?? {};
    const sharp = (facts.sharpness ?? 0) / best;
    const pick = view.pick === frame;
    const bar = el("span", { class: "sharp", "aria-hidden": "true" });
    bar.style.setProperty("--share", sharp.toFixed(3));
    const notes = el("span", { class: "notes" });
    const words = `${frame}, ${percent(sharp)} of the sharpest `;
    const node = el("button", { type: "button", class: pick ? "frame pick" : "frame", tabIndex: -1, "data-frame": frame,
      title: `${frame}: ${facts.settings}`,
      onclick: (e) => this.select(number, i, e.ctrlKey || e.shiftKey), ondblclick: () => this.pick() },
      el("span", { class: "unseen" }, words), el("img", { src: `/small/${encodeURIComponent(frame)}`, alt: "", loading: "lazy", decoding: "async" }), bar,
      el("span", { class: "line" }, el("span", {}, view.frames.length === 1 ? `sharpness ${(facts.sharpness ?? 0).toFixed(2)}`
        : `${pick ? "pick, " : ""}${sharp === 1 ? "sharpest" : `${percent(sharp)} of the sharpest`}`), this.clip(facts.clipped ?? 0)), notes);
    return { node, notes, frame };
  }

  clip(share) {
    const node = el("span", { class: share > 0.02 ? "clip much" : "clip" }, share < 0.0005 ? "no clipping" : `${percent(share, 1)} clipped`);
    return node;
  }

  // What needs the frames' small pictures: soft edges, visitors.
  async detail(view, cells) {
    if (!this.facts.has(view.name)) this.facts.set(view.name, this.house.wire.ask("frames", { view: view.name }).catch(() => ({})));
    const facts = await this.facts.get(view.name);
    for (const { node, notes, frame } of cells) {
      const found = facts[frame];
      if (!found) continue;
      const words = [];
      if (found.soft) words.push("soft");
      if (found.moved > 0.002) words.push(`${percent(found.moved, 1)} differs from the pick`);
      notes.textContent = words.join(", ");
      node.querySelector(".clip").title = `${percent(found.clipped_any, 1)} is clipped in at least one channel of the raw`;
    }
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
      row.cells.forEach(({ node, frame }, i) => {
        const here = number === this.at[0] && i === this.at[1];
        node.tabIndex = here ? 0 : -1;
        node.classList.toggle("here", here);
        node.setAttribute("aria-pressed", this.chosen.has(frame));
        if (here && focus) node.focus({ preventScroll: false });
      });
    }
    this.splitButton.disabled = !this.chosen.size;
  }

  step(rows, frames) {
    const number = Math.max(0, Math.min(this.views.length - 1, this.at[0] + rows));
    const count = this.views[number]?.frames.length ?? 1;
    const i = rows ? Math.min(this.at[1], count - 1) : Math.max(0, Math.min(count - 1, this.at[1] + frames));
    this.at = [number, i];
    const top = number * ROW;
    if (top < this.pile.scrollTop) this.pile.scrollTop = top;
    if (top + ROW > this.pile.scrollTop + this.pile.clientHeight) this.pile.scrollTop = top + ROW - this.pile.clientHeight;
    this.draw();
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

  split() {
    const { view } = this.here;
    const frames = view.frames.filter((f) => this.chosen.has(f));
    this.house.ask("split", { view: view.name, frames }).then(() => this.chosen.clear()).catch(() => 0);
  }

  join() {
    const above = this.views[this.at[0] - 1];
    if (above) this.house.ask("join", { view: above.name, other: this.here.view.name }).catch(() => 0);
  }

  finish() {
    const { view } = this.here;
    if (view) this.house.go("finish", `?view=${encodeURIComponent(view.name)}`);
  }

  compare() {
    const { view, frame } = this.here;
    if (!frame) return;
    const two = view.frames.filter((f) => this.chosen.has(f));
    const other = frame === view.pick ? view.frames.find((f) => f !== frame) ?? frame : frame;
    const pair = two.length === 2 ? two : [view.pick, other];
    const panes = pair.map((f) => this.comparePane(view, f));
    const dialog = el("dialog", { class: "wide two", "aria-label": "Two frames at 100 %, moving together" }, ...panes,
      el("form", { method: "dialog", class: "row" }, el("button", { value: "" }, "Back"),
        ...pair.filter((f) => f !== view.pick).map((f) => el("button", { value: f }, `Pick ${f}`))));
    const scrollers = panes.map((p) => p.querySelector(".pane"));
    scrollers.forEach((pane, i) => roam(pane, scrollers.filter((_, k) => k !== i)));
    document.body.append(dialog);
    dialog.addEventListener("close", () => {
      if (dialog.returnValue) this.house.ask("pick", { view: view.name, frame: dialog.returnValue }).catch(() => 0);
      dialog.remove();
    });
    dialog.showModal();
    scrollers[0].focus();
  }

  comparePane(view, frame) {
    const facts = this.house.visit.frames[frame];
    const words = `${frame}${frame === view.pick ? ", the pick" : ""}: sharpness ${facts.sharpness?.toFixed(2)}, ${percent(facts.clipped, 2)} clipped`;
    const image = el("img", { alt: words, draggable: "false" });
    const waiting = el("p", { class: "waiting" }, `Reading ${frame}`);
    const pane = el("div", { class: "pane", tabindex: 0, "aria-label": `${frame}; drag or use the arrow keys` }, image, waiting);
    image.onload = () => {
      waiting.remove();
      pane.scrollTo((image.naturalWidth - pane.clientWidth) / 2, (image.naturalHeight - pane.clientHeight) / 2);
    };
    image.onerror = () => { waiting.textContent = `${frame} could not be read`; };
    image.src = `/frame/${encodeURIComponent(frame)}`;
    return el("div", { class: "side" }, pane, el("p", {}, words));
  }

  keys() {
    return [
      ["ArrowDown", "view below", () => this.step(1, 0)],
      ["ArrowUp", "view above", () => this.step(-1, 0)],
      ["ArrowLeft", "previous frame", () => this.step(0, -1)],
      ["ArrowRight", "next frame", () => this.step(0, 1)],
      ["PageDown", "further down", () => this.step(4, 0)],
      ["PageUp", "further up", () => this.step(-4, 0)],
      ["Enter", "pick this frame", () => this.pick(), true],
      [" ", "choose this frame, or not", () => this.select(...this.at, true), true],
      ["v", "compare with the pick, or two chosen frames", () => this.compare()],
      ["m", "new view of the chosen frames", () => this.split()],
      ["h", "join to the view above", () => this.join()],
      ["e", "leave this frame out, or the chosen ones", () => this.leaveOut()],
      ["w", "words of this view", () => this.words()],
      ["o", "open this view in Finish", () => this.finish()],
    ];
  }
}
