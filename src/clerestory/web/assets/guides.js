// Lines a person lays along columns: the picture follows at once by the exact homography.

import { el, svg } from "./build.js";
import { css, pitchRoll, upOf, vertical } from "./geometry.js";

const REACH = 26; // pixels about a line's end that take hold of it

export class Guides {
  // `picture` is the canvas; `kept(guides)` hears of lines to be written, `told(pitch, roll)` of what
  // they ask while they move.
  constructor(picture, kept, told) {
    this.picture = picture;
    this.kept = kept;
    this.told = told;
    this.lines = [];
    this.on = false;
    this.held = null;
    this.frames = [];
    this.layer = svg("svg", { class: "guides", "aria-label": "Lines laid along columns", role: "group" });
    this.layer.addEventListener("pointermove", (e) => this.drag(e));
    this.layer.addEventListener("pointerup", () => this.release());
    this.layer.addEventListener("pointercancel", () => this.release());
    this.layer.addEventListener("pointerdown", (e) => this.take(e));
  }

  // A new preview: its geometry, and the lines the recipe has.
  show(sheet, guides) {
    if (this.held) return;
    this.sheet = sheet;
    this.recipe = guides;
    this.lines = guides.map((g) => ({ kind: g.kind, ends: [g.start, g.end] }));
    if (this.on && !this.lines.length) this.lines = this.suggested();
    this.picture.style.transform = "";
    this.draw();
  }

  toggle() {
    this.on = !this.on;
    if (this.on && !this.lines.length && this.sheet) this.lines = this.suggested();
    if (!this.on && this.recipe) this.lines = this.recipe.map((g) => ({ kind: g.kind, ends: [g.start, g.end] }));
    this.draw();
    return this.on;
  }

  // Two plumb lines as the tool believes them to hang, to be pulled onto columns.
  suggested() {
    const [w, h] = this.sheet.facts.size;
    return [0.24, 0.76].map((x) => ({
      kind: "upright",
      ends: this.sheet.plumbLine([x * w, h / 2], 0.2 * h, 0.8 * h).map((p) => this.sheet.toShare(p)),
    }));
  }

  add(kind) {
    const [w, h] = this.sheet.facts.size;
    const ends = kind === "upright" ? this.sheet.plumbLine([w / 2, h / 2], 0.2 * h, 0.8 * h)
      : [[0.25 * w, h / 2], [0.75 * w, h / 2]];
    this.lines = [...this.lines, { kind, ends: ends.map((p) => this.sheet.toShare(p)) }];
    this.draw();
    this.keep();
  }

  clear() {
    this.lines = [];
    this.kept([]);
  }

  keep() {
    this.kept(this.lines.map((l) => ({ kind: l.kind, start: l.ends[0], end: l.ends[1] })));
  }

  // ---- dragging

  place(event) {
    const box = this.layer.getBoundingClientRect();
    const scale = this.sheet.facts.size[0] / box.width;
    return [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale, scale];
  }

  take(event) {
    if (!this.on || !this.sheet) return;
    const [x, y, scale] = this.place(event);
    let best = null;
    this.lines.forEach((line, i) => {
      const ends = line.ends.map((e) => this.sheet.toPaper(e));
      ends.forEach((p, k) => {
        const off = Math.hypot(p[0] - x, p[1] - y) / scale;
        if (off < REACH && (!best || off < best.off)) best = { line: i, ends: [k], off };
      });
      const along = this.near(ends, [x, y]) / scale;
      if (!best && along < 10) best = { line: i, ends: [0, 1], off: along };
    });
    if (!best) return;
    this.layer.setPointerCapture(event.pointerId);
    const start = this.lines[best.line].ends.map((e) => this.sheet.toPaper(e));
    this.held = { ...best, from: [x, y], start };
    this.frames = [];
    event.preventDefault();
  }

  near([a, b], p) {
    const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
    const t = Math.max(0, Math.min(1, ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy)));
    return Math.hypot(a[0] + t * dx - p[0], a[1] + t * dy - p[1]);
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

  // The line's end follows the hand in the picture as it stood when it was taken hold of: nothing runs away.
  pull([x, y]) {
    if (!this.held) return;
    const { line, ends, from, start } = this.held;
    const moved = this.lines[line].ends.slice();
    for (const k of ends) moved[k] = this.sheet.toShare([start[k][0] + x - from[0], start[k][1] + y - from[1]]);
    this.lines[line] = { ...this.lines[line], ends: moved };
    this.follow();
    this.draw();
    this.lens(x, y);
  }

  follow() {
    const facts = this.sheet.facts;
    const uprights = this.lines.filter((l) => l.kind === "upright");
    if (uprights.length < 2) return;
    const { pitch, roll, plumb, turn } = facts.straightening;
    const up = vertical(uprights.map((l) => l.ends.map((e) => this.sheet.idealOf(e))), facts.camera, upOf(pitch, roll));
    const [p, r] = pitchRoll(up);
    this.warp = this.sheet.warpTo({ pitch: p, roll: r, plumb: plumb || 1, turn });
    this.told(p, r);
    const shown = this.layer.getBoundingClientRect().width / facts.size[0];
    this.picture.style.transform = css(this.warp, shown);
  }

  // What lies under the hand, three times as large.
  lens(x, y) {
    const glass = this.glass ?? (this.glass = el("canvas", { class: "glass", width: 168, height: 168, "aria-hidden": "true" }));
    if (!glass.isConnected) this.layer.parentElement.append(glass);
    const end = this.sheet.toPaper(this.lines[this.held.line].ends[this.held.ends[0]]);
    const ink = glass.getContext("2d");
    ink.fillStyle = "#16171a";
    ink.fillRect(0, 0, 168, 168);
    ink.drawImage(this.picture, end[0] - 28, end[1] - 28, 56, 56, 0, 0, 168, 168);
    ink.strokeStyle = "#8fb4cf";
    const ends = this.lines[this.held.line].ends.map((e) => this.sheet.toPaper(e));
    ink.beginPath();
    for (const p of ends) ink.lineTo(84 + 3 * (p[0] - end[0]), 84 + 3 * (p[1] - end[1]));
    ink.stroke();
    const box = this.layer.getBoundingClientRect();
    const left = (x * box.width) / this.sheet.facts.size[0];
    glass.style.left = `${left > box.width / 2 ? left - 220 : left + 52}px`;
    glass.style.top = `${Math.max(0, (y * box.width) / this.sheet.facts.size[0] - 84)}px`;
  }

  release() {
    if (!this.held) return;
    this.held = null;
    this.glass?.remove();
    this.keep();
  }

  nudge(line, end, dx, dy) {
    const p = this.sheet.toPaper(this.lines[line].ends[end]);
    const ends = this.lines[line].ends.slice();
    ends[end] = this.sheet.toShare([p[0] + dx, p[1] + dy]);
    this.lines[line] = { ...this.lines[line], ends };
    this.follow();
    this.draw();
    clearTimeout(this.later);
    this.later = setTimeout(() => this.keep(), 350);
  }

  // ---- drawing

  draw() {
    if (!this.sheet) return;
    const [w, h] = this.sheet.facts.size;
    this.layer.setAttribute("viewBox", `0 0 ${w} ${h}`);
    this.layer.classList.toggle("on", this.on);
    if (!this.on) return this.layer.replaceChildren();
    const scale = w / (this.layer.getBoundingClientRect().width || w);
    const focused = document.activeElement?.dataset?.end;
    this.layer.replaceChildren(...this.lines.flatMap((line, i) => this.drawn(line, i, scale)));
    if (focused) this.layer.querySelector(`[data-end="${focused}"]`)?.focus();
  }

  drawn(line, i, scale) {
    const through = (p) => {
      if (!this.held && !this.warp) return p;
      const m = this.picture.style.transform ? this.warp : null;
      if (!m) return p;
      const z = m[6] * p[0] + m[7] * p[1] + m[8];
      return [(m[0] * p[0] + m[1] * p[1] + m[2]) / z, (m[3] * p[0] + m[4] * p[1] + m[5]) / z];
    };
    const ends = line.ends.map((e) => through(this.sheet.toPaper(e)));
    const [a, b] = ends;
    const off = line.kind === "upright"
      ? Math.atan2(b[0] - a[0], b[1] - a[1]) : Math.atan2(b[1] - a[1], b[0] - a[0]);
    const degrees = Math.abs((180 / Math.PI) * Math.atan(Math.tan(off)));
    const words = `${degrees.toFixed(1)}° off ${line.kind === "upright" ? "plumb" : "level"}`;
    const place = { x1: a[0], y1: a[1], x2: b[0], y2: b[1] };
    const handles = ends.map((p, k) => svg("circle", { cx: p[0], cy: p[1], r: 8 * scale, tabindex: 0, role: "button",
      "data-end": `${i}-${k}`, class: "end", "stroke-width": 2 * scale,
      "aria-label": `${line.kind} line ${i + 1}, ${k ? "second" : "first"} end, ${words}; arrows move it`,
      onkeydown: (e) => this.handleKey(e, i, k, scale) }));
    return [svg("line", { ...place, class: "shade", "stroke-width": 4 * scale }),
      svg("line", { ...place, class: "line", "stroke-width": 1.6 * scale }), ...handles,
      svg("text", { x: a[0] + 14 * scale, y: a[1] - 10 * scale, "font-size": 15 * scale, class: "off" }, words)];
  }

  handleKey(event, line, end, scale) {
    const step = (event.shiftKey ? 10 : 1) * scale;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way) return;
    event.preventDefault();
    this.nudge(line, end, way[0] * step, way[1] * step);
  }
}
