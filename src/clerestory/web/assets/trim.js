// The crop drawn on the picture: all that straightening made of the frame lies under it, the limit is marked, and what
// is kept is moved and drawn tighter by its corners, by the arrows, or by the number among the controls.

import { el, svg } from "./build.js";
import { apply, Sheet } from "./geometry.js";
import { say } from "./say.js";

const LEAST = 0.1; // of the largest room
const STEP = 0.01; // of the picture shown, for each press of an arrow
const CORNERS = [[0, 0], [1, 0], [1, 1], [0, 1]];
const HANDLE = 9;

export class Trim {
  // `kept(values)` hears of the crop when it is taken, `left()` when it is put away.
  constructor(kept, left) {
    Object.assign(this, { kept, left, on: false });
    this.picture = el("img", { alt: say("All that straightening made of the frame"), draggable: "false" });
    this.layer = svg("svg", { class: "trim-lines", role: "group" });
    this.node = el("div", { class: "trim", tabindex: 0, role: "group", hidden: true,
      "aria-label": say("The crop: arrows move it, with Shift they make it larger or smaller, Enter takes it, Escape leaves it as it was"),
      onkeydown: (e) => this.key(e), onpointerdown: (e) => this.take(e), onpointermove: (e) => this.drag(e),
      onpointerup: () => { this.held = null; }, onpointercancel: () => { this.held = null; } }, this.picture, this.layer);
    this.lines = el("select", { "aria-label": say("Lines in the crop"), onchange: () => this.draw() },
      ...[["", say("no lines")], ["thirds", say("thirds")], ["level", say("level and plumb")]].map(([value, words]) => el("option", { value }, words)));
  }

  open(facts) {
    this.facts = facts;
    this.sheet = new Sheet(facts);
    this.picture.src = facts.picture;
    const [left, top, width, height] = facts.room;
    const [x, y, w, h] = facts.crop;
    this.rect = [(x - left) / width, (y - top) / height, w / width, h / height];
    this.most = [facts.most[0] / width, facts.most[1] / height];
    this.on = true;
    this.node.hidden = false;
    this.draw();
    this.node.focus();
  }

  close() {
    this.on = false;
    this.node.hidden = true;
    this.left();
  }

  // What a recipe says of the crop as it is drawn.
  values() {
    const [w, h] = this.facts.size;
    const [x, y, wide] = this.rect;
    const middle = apply(this.sheet.back, [(x + wide / 2) * w - 0.5, (y + this.rect[3] / 2) * h - 0.5]);
    const { camera } = this.facts;
    const place = [middle[0] / (camera.width - 1), middle[1] / (camera.height - 1)].map((v) =>
      Math.max(-1, Math.min(1, Math.round(1000 * (2 * v - 1)) / 1000)));
    const size = Math.round(1000 * Math.min(1, wide / this.most[0])) / 1000;
    return { crop: place, crop_size: size >= 0.995 ? null : size };
  }

  done() {
    const values = this.values();
    this.close();
    this.kept(values);
  }

  // Whether a rectangle (shares) lies within the limit.
  fits([x, y, w, h]) {
    const ring = this.facts.limit;
    const inside = ([px, py]) => {
      let odd = false;
      for (let i = 0, j = ring.length - 1; i < ring.length; j = i, i += 1) {
        const [[ax, ay], [bx, by]] = [ring[i], ring[j]];
        if ((ay > py) !== (by > py) && px < ax + ((py - ay) / (by - ay)) * (bx - ax)) odd = !odd;
      }
      return odd;
    };
    const e = 1e-4; // the limit itself is allowed
    const steps = [0, 0.25, 0.5, 0.75, 1];
    const edge = steps.flatMap((t) => [[t, 0], [1, t], [t, 1], [0, t]]);
    return edge.every(([u, v]) => inside([x + e + u * (w - 2 * e), y + e + v * (h - 2 * e)]));
  }

  // As far towards a rectangle as the limit allows.
  towards(wanted) {
    if (this.fits(wanted)) {
      this.rect = wanted;
    } else {
      let [low, high] = [0, 1];
      const at = (t) => this.rect.map((v, k) => v + t * (wanted[k] - v));
      for (let round = 0; round < 12; round += 1) {
        const middle = (low + high) / 2;
        if (this.fits(at(middle))) low = middle; else high = middle;
      }
      this.rect = at(low);
    }
    this.draw();
  }

  // Sized about a fixed point of the rectangle (shares of it).
  sized(factor, [u, v]) {
    const [x, y, w, h] = this.rect;
    const least = (LEAST * this.most[0]) / w;
    const f = Math.max(least, factor);
    this.towards([x + u * w * (1 - f), y + v * h * (1 - f), w * f, h * f]);
  }

  place(event) {
    const box = this.node.getBoundingClientRect();
    return [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
  }

  take(event) {
    event.preventDefault();
    event.stopPropagation();
    this.node.setPointerCapture(event.pointerId);
    this.node.focus();
    const corner = event.target.dataset?.corner;
    this.held = { corner: corner === undefined ? null : CORNERS[corner], from: this.place(event), rect: this.rect };
  }

  drag(event) {
    if (!this.held) return;
    const at = this.place(event);
    const { corner, from, rect: [x, y, w, h] } = this.held;
    if (!corner) {
      this.towards([x + at[0] - from[0], y + at[1] - from[1], w, h]);
      return;
    }
    const fixed = [x + (1 - corner[0]) * w, y + (1 - corner[1]) * h];
    const f = Math.max((at[0] - fixed[0]) / (corner[0] ? w : -w), (at[1] - fixed[1]) / (corner[1] ? h : -h),
      (LEAST * this.most[0]) / w);
    this.rect = [fixed[0] - (1 - corner[0]) * this.rect[2], fixed[1] - (1 - corner[1]) * this.rect[3], this.rect[2], this.rect[3]];
    this.towards([fixed[0] - (1 - corner[0]) * w * f, fixed[1] - (1 - corner[1]) * h * f, w * f, h * f]);
  }

  key(event) {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (event.key === "Enter") this.done();
    else if (event.key === "Escape") this.close();
    else if (way && event.shiftKey) this.sized(1 + 2 * STEP * (way[0] - way[1]), [0.5, 0.5]);
    else if (way) this.towards([this.rect[0] + STEP * way[0], this.rect[1] + STEP * way[1], this.rect[2], this.rect[3]]);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  draw() {
    if (!this.on) return;
    const { width, height } = this.node.getBoundingClientRect();
    if (!width) return;
    const [x, y, w, h] = [this.rect[0] * width, this.rect[1] * height, this.rect[2] * width, this.rect[3] * height];
    const ring = this.facts.limit.map(([a, b]) => `${(a * width).toFixed(1)} ${(b * height).toFixed(1)}`).join("L");
    const inner = `M${x} ${y}h${w}v${h}h${-w}Z`;
    const at = (t) => [[x + t * w, y, x + t * w, y + h], [x, y + t * h, x + w, y + t * h]];
    const lines = { "": [], thirds: [...at(1 / 3), ...at(2 / 3)], level: [0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875].flatMap(at) }[this.lines.value];
    this.layer.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.layer.replaceChildren(
      svg("path", { class: "away", d: `M0 0H${width}V${height}H0Z${inner}`, "fill-rule": "evenodd" }),
      svg("path", { class: "limit", d: `M${ring}Z` }),
      ...lines.map(([x1, y1, x2, y2]) => svg("line", { class: "guide", x1, y1, x2, y2 })),
      svg("path", { class: "kept-edge", d: inner }),
      ...CORNERS.map(([u, v], corner) => svg("circle", { class: "corner", "data-corner": corner, cx: x + u * w, cy: y + v * h, r: HANDLE })));
    this.told?.(this.values());
  }
}
