// Lines drawn along what is vertical or horizontal in the building: the picture follows at once by the exact
// homography. An edge found beside a line is offered, dashed; it is taken only when a person asks for it.

import { el, svg } from "./build.js";
import { css, pitchRoll, upOf, vertical } from "./geometry.js";
import { decimal, say } from "./say.js";

const REACH = 22; // screen pixels about a line or its end that take hold of it
const KINDS = { vertical: say("vertical"), horizontal: say("horizontal") };
const LEAST = 24; // screen pixels: what is shorter was a click, no line
const NEAR = 30; // screen pixels to the side within which an edge is offered
const LIKE = 4; // degrees between a line and an edge that is offered
const SHORT = 0.08; // shortest edge offered, as a share of the picture's longer side
const PLACES = [0.24, 0.76, 0.5]; // where lines that are added stand, as shares of the picture
// All five: common practice, no source.

const between = ([a, b], [c, d]) => [c - a, d - b];

// Where an edge lies beside a line, both on the picture: degrees between them, pixels to the side where they run
// side by side, and the line's ends brought onto it. Null where they do not run side by side.
function beside([a, b], [p, q]) {
  const [line, edge] = [between(a, b), between(p, q)];
  const [length, reach] = [Math.hypot(...line), Math.hypot(...edge)];
  const along = (v) => (v[0] * edge[0] + v[1] * edge[1]) / reach;
  const across = (v) => (v[0] * edge[1] - v[1] * edge[0]) / reach;
  const degrees = (180 / Math.PI) * Math.abs(Math.atan(across(line) / (along(line) || 1e-9)));
  const ends = [a, b].map((end) => {
    const t = along(between(p, end)) / reach;
    return [p[0] + t * edge[0], p[1] + t * edge[1]];
  });
  const [from, to] = [a, b].map((end) => along(between(p, end))).sort((x, y) => x - y);
  const shared = Math.min(to, reach) - Math.max(from, 0);
  if (shared < 0.3 * Math.min(length, reach)) return null;
  const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  return { degrees, aside: Math.abs(across(between(p, middle))), ends, length: reach };
}

export class Lines {
  // `picture` is the canvas; `kept(lines)` hears of lines to be written, `told(pitch, roll)` of what they ask while
  // they move, `changed()` of a line chosen and an edge offered.
  constructor(picture, kept, told, changed) {
    this.picture = picture;
    this.kept = kept;
    this.told = told;
    this.changed = changed;
    this.lines = [];
    this.edges = [];
    this.chosen = null;
    this.offer = null;
    this.on = false;
    this.held = null;
    this.later = null;
    this.frames = [];
    this.list = el("ol", { class: "plain-list line-list" });
    this.layer = svg("svg", { class: "lines", "aria-label": say("Lines drawn along the building"), role: "group" });
    this.layer.addEventListener("pointermove", (e) => this.drag(e));
    this.layer.addEventListener("pointerup", () => this.release());
    this.layer.addEventListener("pointercancel", () => this.release());
    this.layer.addEventListener("pointerdown", (e) => this.take(e));
  }

  // A new preview: its geometry, and the lines the recipe has.
  show(sheet, lines, errors) {
    if (this.held) return;
    this.sheet = sheet;
    this.near = null;
    // A line that was added and not moved yet is only on offer: it is neither kept nor thrown away.
    const idle = this.lines.filter((l) => l.idle);
    // Nor is what keys have just moved, which the recipe has not heard of yet.
    if (!this.later) this.lines = [...lines.map((l) => ({ kind: l.kind, ends: [l.start, l.end], off: !!l.off })), ...idle];
    this.errors = errors ?? [];
    this.rows();
    if (this.chosen !== null && this.chosen >= this.lines.length) this.chosen = null;
    this.picture.style.transform = "";
    this.seek();
    this.draw();
  }

  // What keys moved is not kept later by itself: it is moved on, or kept at once.
  forget() {
    clearTimeout(this.later);
    this.later = null;
  }

  toggle() {
    this.on = !this.on;
    this.choose(null);
    this.draw();
    return this.on;
  }

  // Edges the server found in the frame: x and y of both ends, as shares of its width and height.
  found(edges) {
    this.edges = edges;
    this.near = null;
    this.seek();
    this.draw();
  }

  choose(line) {
    this.chosen = line;
    this.seek();
  }

  // A line as the tool believes it to stand, to be moved onto what the eye knows; until then it asks for nothing.
  add(kind) {
    const [w, h] = this.sheet.facts.size;
    const share = PLACES[this.lines.filter((l) => l.kind === kind).length % PLACES.length];
    const ends = kind === "vertical" ? this.sheet.plumbLine([share * w, h / 2], 0.2 * h, 0.8 * h)
      : [[0.2 * w, share * h], [0.8 * w, share * h]];
    this.lines = [...this.lines, { kind, ends: ends.map((p) => this.sheet.toShare(p)), idle: true }];
    this.choose(this.lines.length - 1);
    this.draw();
    this.layer.querySelector(`[data-end="${this.chosen}-0"]`)?.focus();
  }

  remove() {
    const line = this.chosen ?? this.lines.length - 1;
    this.lines = this.lines.filter((_, i) => i !== line);
    this.choose(null);
    this.draw();
    this.keep();
  }

  // What a key moved is written once the keys rest; at once where something else follows on it.
  settle() {
    if (this.later === null) return;
    this.forget();
    this.keep();
  }

  keep() {
    this.kept(this.lines.filter((l) => !l.idle).map((l) => ({ kind: l.kind, start: l.ends[0], end: l.ends[1], off: !!l.off })));
  }

  // Each line with its own error; kept or let go singly.
  rows() {
    const focused = document.activeElement?.dataset?.line;
    const kept = this.lines.filter((l) => !l.idle);
    this.list.replaceChildren(...kept.map((line, i) => {
      const error = this.errors[i];
      const off = error ? say("{off}° off, drawn to ±{hand}°", { off: decimal(error.off, 1), hand: decimal(error.hand, 1) }) + (error.doubtful ? say("; the building says {building}°", { building: decimal(error.building, 1) }) : "") : "";
      return el("li", { class: error?.doubtful ? "doubtful" : null }, el("label", { class: "check" },
        el("input", { type: "checkbox", checked: !line.off, "data-line": i, "aria-label": say("Line {i}, {kind}: kept", { i: i + 1, kind: KINDS[line.kind] }), onchange: (e) => this.hold(i, e.target.checked) }), `${i + 1} ${KINDS[line.kind]}`),
      el("span", { class: "quiet" }, off));
    }));
    if (focused !== undefined) this.list.querySelector(`[data-line="${focused}"]`)?.focus();
  }

  hold(line, kept) {
    this.lines[line] = { ...this.lines[line], off: !kept };
    this.draw();
    this.keep();
  }

  picked(line) {
    if (this.chosen === line) return;
    this.choose(line);
    requestAnimationFrame(() => this.draw());
  }

  // ---- an edge on offer

  // The edge nearest to the chosen line, in place and direction.
  seek() {
    this.offer = this.on && this.sheet && this.chosen !== null ? this.nearest(this.chosen) : null;
    this.changed();
  }

  nearest(line) {
    const longer = Math.max(...this.sheet.facts.size);
    this.near ??= this.edges.map(([a, b, c, d]) => [[a, b], [c, d]].map((p) => this.sheet.toPaper(p)))
      .filter(([p, q]) => Math.hypot(...between(p, q)) > SHORT * longer);
    const drawn = this.lines[line].ends.map((e) => this.sheet.toPaper(e));
    const [reach, length] = [NEAR * this.scale, Math.hypot(...between(...drawn))];
    let best = null;
    for (const edge of this.near) {
      const found = beside(drawn, edge);
      if (!found || found.degrees > LIKE || found.aside > reach) continue;
      const worth = found.aside / reach + found.degrees / LIKE - 0.5 * Math.min(1, found.length / length);
      if (!best || worth < best.worth) best = { ...found, worth };
    }
    if (!best || (best.degrees < 0.02 && best.aside < 0.7 * this.scale)) return null;
    return { degrees: best.degrees, ends: best.ends.map((p) => this.sheet.toShare(p)) };
  }

  accept() {
    if (!this.offer) return;
    this.lines[this.chosen] = { ...this.lines[this.chosen], ends: this.offer.ends, idle: false };
    this.offer = null;
    this.changed();
    this.follow();
    this.draw();
    this.keep();
  }

  // ---- dragging

  get scale() {
    return this.sheet.scaleOn(this.layer);
  }

  place(event) {
    return this.sheet.placeOn(this.layer, event);
  }

  take(event) {
    if (!this.on || !this.sheet || event.button) return;
    event.preventDefault();
    if (event.target.closest(".offer")) return this.accept();
    const from = this.place(event);
    const best = this.under(from) ?? this.begun(from);
    this.choose(best.line);
    this.layer.setPointerCapture(event.pointerId);
    const start = this.lines[best.line].ends.map((e) => this.sheet.toPaper(e));
    this.held = { ...best, from, start };
    this.frames = [];
    this.draw();
  }

  // The line or its end under the hand.
  under(at) {
    let best = null;
    this.lines.forEach((line, i) => {
      const ends = line.ends.map((e) => this.sheet.toPaper(e));
      ends.forEach((p, k) => {
        const off = Math.hypot(...between(p, at)) / this.scale;
        if (off < REACH && (!best || off < best.off)) best = { line: i, ends: [k], off };
      });
      const off = this.off(ends, at) / this.scale;
      if (!best && off < REACH / 2) best = { line: i, ends: [0, 1], off };
    });
    return best;
  }

  off([a, b], p) {
    const [dx, dy] = between(a, b);
    const t = Math.max(0, Math.min(1, ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy || 1)));
    return Math.hypot(a[0] + t * dx - p[0], a[1] + t * dy - p[1]);
  }

  begun(at) {
    const end = this.sheet.toShare(at);
    this.lines = [...this.lines, { kind: "vertical", ends: [end, end] }];
    return { line: this.lines.length - 1, ends: [1], fresh: true };
  }

  drag(event) {
    if (!this.held) return;
    this.last = this.place(event);
    if (this.pending) return;
    this.pending = requestAnimationFrame((now) => {
      this.pending = 0;
      this.frames.push(now);
      this.pull(this.last);
    });
  }

  // The line's end follows the hand in the picture as it stood when it was taken hold of: nothing runs away. A line
  // just begun is vertical or horizontal by the way it is drawn.
  pull([x, y]) {
    if (!this.held) return;
    const { line, ends, from, start, fresh } = this.held;
    const moved = this.lines[line].ends.slice();
    for (const k of ends) moved[k] = this.sheet.toShare([start[k][0] + x - from[0], start[k][1] + y - from[1]]);
    const kind = !fresh ? this.lines[line].kind : Math.abs(x - from[0]) > Math.abs(y - from[1]) ? "horizontal" : "vertical";
    this.held.far = Math.hypot(x - from[0], y - from[1]) / this.scale;
    this.lines[line] = { ...this.lines[line], kind, ends: moved, idle: false };
    this.seek();
    if (!fresh) this.follow();
    this.draw();
  }

  follow() {
    const facts = this.sheet.facts;
    const verticals = this.lines.filter((l) => l.kind === "vertical" && !l.idle && !l.off);
    if (verticals.length < 2) return;
    const { pitch, roll, plumb, swing } = facts.rectification;
    const up = vertical(verticals.map((l) => l.ends.map((e) => this.sheet.idealOf(e))), facts.camera, upOf(pitch, roll));
    const [p, r] = pitchRoll(up);
    this.warp = this.sheet.warpTo({ pitch: p, roll: r, plumb: plumb || 1, swing });
    this.told(p, r);
    this.picture.style.transform = css(this.warp, 1 / this.scale);
  }

  release() {
    if (!this.held) return;
    if (this.pending) { // let go before the frame that would have shown the last movement
      cancelAnimationFrame(this.pending);
      this.pending = 0;
      this.pull(this.last);
    }
    const { line, fresh, far = 0 } = this.held;
    this.held = null;
    if (fresh && far < LEAST) {
      this.lines = this.lines.filter((_, i) => i !== line);
      this.choose(null);
      this.draw();
    } else if (far > 0) {
      this.keep();
    }
  }

  nudge(line, end, dx, dy) {
    const p = this.sheet.toPaper(this.lines[line].ends[end]);
    const ends = this.lines[line].ends.slice();
    ends[end] = this.sheet.toShare([p[0] + dx, p[1] + dy]);
    this.lines[line] = { ...this.lines[line], ends, idle: false };
    this.choose(line);
    this.follow();
    this.draw();
    this.forget();
    this.later = setTimeout(() => { this.later = null; this.keep(); }, 350);
  }

  // ---- drawing

  draw() {
    if (!this.sheet) return;
    const [w, h] = this.sheet.facts.size;
    this.layer.setAttribute("viewBox", `0 0 ${w} ${h}`);
    this.layer.classList.toggle("on", this.on);
    if (!this.on) return this.layer.replaceChildren();
    const focused = document.activeElement?.dataset?.end;
    const offered = this.offer ? [this.offered(this.scale)] : [];
    this.layer.replaceChildren(...this.lines.flatMap((line, i) => this.drawn(line, i, this.scale)), ...offered);
    if (focused) this.layer.querySelector(`[data-end="${focused}"]`)?.focus();
  }

  // A place of the preview where the picture, warped meanwhile, shows it.
  through(p) {
    const m = this.picture.style.transform ? this.warp : null;
    if (!m) return p;
    const z = m[6] * p[0] + m[7] * p[1] + m[8];
    return [(m[0] * p[0] + m[1] * p[1] + m[2]) / z, (m[3] * p[0] + m[4] * p[1] + m[5]) / z];
  }

  drawn(line, i, scale) {
    const ends = line.ends.map((e) => this.through(this.sheet.toPaper(e)));
    const [a, b] = ends;
    const off = line.kind === "vertical"
      ? Math.atan2(b[0] - a[0], b[1] - a[1]) : Math.atan2(b[1] - a[1], b[0] - a[0]);
    const degrees = Math.abs((180 / Math.PI) * Math.atan(Math.tan(off)));
    const kind = KINDS[line.kind];
    const words = line.off ? say("{kind}, let go", { kind }) : line.idle ? say("{kind}: lay it on the building", { kind }) : say("{kind}, {degrees}° off", { kind, degrees: decimal(degrees, 1) });
    const place = { x1: a[0], y1: a[1], x2: b[0], y2: b[1] };
    const size = 8 * scale;
    const handles = ends.map((p, k) => svg("path", { d: `M${p[0]} ${p[1] - size}l${size} ${size} ${-size} ${size} ${-size} ${-size}z`,
      tabindex: 0, role: "button", "data-end": `${i}-${k}`, class: "end", "stroke-width": 2 * scale,
      "aria-label": k ? say("{kind} line {i}, second end, {degrees}° off; arrows move it, Enter takes the edge on offer, Delete removes the line", { kind, i: i + 1, degrees: decimal(degrees, 1) })
        : say("{kind} line {i}, first end, {degrees}° off; arrows move it, Enter takes the edge on offer, Delete removes the line", { kind, i: i + 1, degrees: decimal(degrees, 1) }),
      onfocus: () => this.picked(i), onkeydown: (e) => this.handleKey(e, i, k, scale) }));
    return [svg("line", { ...place, class: "shade", "stroke-width": 4 * scale }),
      svg("line", { ...place, class: `line${i === this.chosen ? " chosen" : ""}${line.idle || line.off ? " idle" : ""}`, "stroke-width": 1.6 * scale }), ...handles,
      svg("text", { x: a[0] + 14 * scale, y: a[1] - 10 * scale, "font-size": 15 * scale, class: "off" }, words)];
  }

  offered(scale) {
    const [a, b] = this.offer.ends.map((e) => this.through(this.sheet.toPaper(e)));
    const place = { x1: a[0], y1: a[1], x2: b[0], y2: b[1] };
    const dashes = `${7 * scale} ${6 * scale}`;
    return svg("g", { class: "offer" }, svg("line", { ...place, class: "shade", "stroke-width": 4.5 * scale }),
      svg("line", { ...place, class: "dashed", "stroke-width": 2.5 * scale, "stroke-dasharray": dashes }),
      svg("line", { ...place, class: "broad", "stroke-width": 14 * scale }),
      svg("text", { x: (a[0] + b[0]) / 2 + 12 * scale, y: (a[1] + b[1]) / 2, "font-size": 15 * scale, class: "off" },
        say("edge, {degrees}° from the line", { degrees: decimal(this.offer.degrees, 1) })));
  }

  handleKey(event, line, end, scale) {
    const step = (event.shiftKey ? 10 : 1) * scale;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (way) this.nudge(line, end, way[0] * step, way[1] * step);
    else if (event.key === "Enter") this.accept();
    else if (event.key === "Delete" || event.key === "Backspace") this.remove();
    else return;
    event.preventDefault();
  }
}
