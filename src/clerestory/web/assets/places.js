// Places treated by themselves: drawn on the picture, listed with their numbers, each kept, changed, put off or removed
// singly. They keep to the building: points are shares of the frame before it is straightened.

import { button, debounce, el, gesture, svg } from "./build.js";
import { inside, say, told } from "./say.js";

// what: the recipe's word; label; tells: what is done; number: the field that says how much.
const KINDS = [
  { what: "light", label: say("Lighter, darker"), tells: say("Draw on a window, a shade, a wall. The scene's own edges are followed."),
    number: { name: "stops", word: say("stops"), unit: say("stops"), times: 1, min: -4, max: 4, step: 0.1, begin: 0.7, figures: 2 } },
  { what: "take out", label: say("Take out"), tells: say("Draw over a mark or a sign. Another frame of the view shows what is behind it; else it is left, unless you ask for its surroundings.") },
  { what: "even colour", label: say("Even a wall"), tells: say("Draw on a wall that lamps and daylight colour unevenly. It takes its own middle colour; its brightness stays."),
    number: { name: "share", word: say("share"), unit: "%", times: 100, min: 0, max: 1, step: 0.05, begin: 1, figures: 0 } },
];
const kindOf = (what) => KINDS.find((k) => k.what === what);
const LEAST = 10; // screen pixels: what is shorter was a click
const APART = 7; // screen pixels between points that are kept of a line drawn
const MOST = 160; // points kept
const CORNERS = 12; // an outline of so few points has a handle at each
const round = (v) => Math.round(v * 1e4) / 1e4;
// A line without the points that lie on it anyway, within `off` (Douglas and Peucker 1973).
function plain(points, off) {
  if (points.length < 3) return points;
  const [[ax, ay], [bx, by]] = [points[0], points.at(-1)];
  const length = Math.hypot(bx - ax, by - ay);
  const away = points.map(([x, y]) => (length < off ? Math.hypot(x - ax, y - ay) : Math.abs((bx - ax) * (ay - y) - (ax - x) * (by - ay)) / length));
  const far = away.indexOf(Math.max(...away));
  if (away[far] <= off) return [points[0], points.at(-1)];
  return [...plain(points.slice(0, far + 1), off).slice(0, -1), ...plain(points.slice(far), off)];
}
const middle = (points) => [0, 1].map((k) => points.reduce((sum, p) => sum + p[k], 0) / points.length);

export class Places {
  // `moved(values)` hears of what is under the hand, `kept(values, gesture)` of what is to be written.
  constructor(moved, kept) {
    Object.assign(this, { moved, kept, on: false, touches: [], chosen: null, kind: KINDS[0], held: null, gesture: "" });
    this.keepSoon = debounce(() => this.keep(), 400);
    this.layer = svg("svg", { class: "places", role: "group", "aria-label": say("Places drawn on the picture"),
      onpointerdown: (e) => this.begin(e), onpointermove: (e) => this.draw(e), onpointerup: () => this.end(), onpointercancel: () => this.drop() });
    this.kinds = KINDS.map((kind) => button(kind.label, () => this.choose(kind), { "aria-pressed": String(kind === this.kind), title: kind.tells }));
    this.tells = el("p", { class: "quiet" }, this.kind.tells);
    this.how = el("select", { "aria-label": say("How a place is drawn") }, el("option", { value: "stroke" }, say("stroke")), el("option", { value: "outline" }, say("outline")));
    this.width = el("input", { type: "number", class: "number", min: 0.5, max: 50, step: 0.5, value: 5, "aria-label": say("Width of a stroke, % of the frame's longer side") });
    this.list = el("ol", { class: "place-list" });
    this.node = el("div", { class: "line-tools", hidden: true }, el("div", { class: "tools kinds" }, this.kinds), this.tells,
      el("div", { class: "row place-how" }, this.how, this.width, el("span", { class: "quiet" }, say("% wide"))),
      button(say("Put one in the middle"), () => this.add()), this.list);
  }

  toggle() {
    this.on = !this.on;
    this.node.hidden = !this.on;
    this.layer.classList.toggle("on", this.on);
    this.chosen = null;
    this.paint();
    return this.on;
  }

  choose(kind) {
    this.kind = kind;
    this.kinds.forEach((b, i) => b.setAttribute("aria-pressed", String(KINDS[i] === kind)));
    this.tells.textContent = kind.tells;
    if (kind.what === "even colour" || kind.what === "take out") this.how.value = "outline";
  }

  // A new preview, and what the recipe has; `told`: what came of marks that were to be taken out.
  show(sheet, touches, told) {
    this.sheet = sheet;
    this.told = told ?? [];
    if (this.held || this.keepSoon.waiting) return this.paint();
    const same = JSON.stringify(touches) === JSON.stringify(this.touches);
    this.touches = touches;
    if (this.chosen !== null && this.chosen >= touches.length) this.chosen = null;
    if (!same || this.list.childElementCount !== touches.length) this.rows();
    this.words();
    return this.paint();
  }

  // ---- changing them

  change(i, values) {
    this.touches = this.touches.map((t, k) => (k === i ? { ...t, ...values } : t));
    this.gesture ||= gesture(`touches-${i}`);
    this.moved({ touches: this.touches });
    this.paint();
    this.keepSoon.waiting = true;
    this.keepSoon();
  }

  // What waits to be written is written now.
  settle() {
    if (this.keepSoon.waiting) this.keep();
  }

  keep() {
    this.keepSoon.cancel();
    this.keepSoon.waiting = false;
    this.kept({ touches: this.touches }, this.gesture);
    this.gesture = "";
  }

  put(touch) {
    this.touches = [...this.touches, touch];
    this.chosen = this.touches.length - 1;
    this.rows();
    this.moved({ touches: this.touches });
    this.keep();
    this.paint();
  }

  remove(i) {
    this.touches = this.touches.filter((_, k) => k !== i);
    this.chosen = null;
    this.rows();
    this.moved({ touches: this.touches });
    this.keep();
    (this.list.querySelector("input, select, button") ?? this.kinds[0]).focus();
  }

  fresh(at, width) {
    const number = this.kind.number;
    return { kind: this.kind.what, at, width, stops: null, share: null, by: null, off: false, ...(number ? { [number.name]: number.begin } : {}) };
  }

  // Without a pointer: four corners in the middle, to be moved by the arrows.
  add() {
    if (!this.sheet) return;
    const [w, h] = this.sheet.facts.size;
    const at = [[0.42, 0.42], [0.58, 0.42], [0.58, 0.58], [0.42, 0.58]].map(([x, y]) => this.shareOf([x * w, y * h]));
    this.put(this.fresh(at, null));
    this.layer.querySelector('[data-end="0"]')?.focus();
  }

  // ---- drawing

  shareOf(point) {
    return this.sheet.toShare(point).map((v) => round(Math.max(-0.5, Math.min(1.5, v))));
  }

  get scale() {
    return this.sheet.scaleOn(this.layer);
  }

  place(event) {
    return this.sheet.placeOn(this.layer, event);
  }

  begin(event) {
    if (!this.on || !this.sheet || event.button) return;
    event.preventDefault();
    event.stopPropagation();
    const at = this.place(event);
    const { end, touch } = event.target.dataset ?? {};
    this.layer.setPointerCapture(event.pointerId);
    if (end !== undefined) this.held = { end, from: at, start: this.touches[this.chosen].at.map((p) => this.sheet.toPaper(p)) };
    else if (touch !== undefined) this.pick(Number(touch));
    else this.held = { line: [at] };
  }

  draw(event) {
    if (!this.held) return;
    const at = this.place(event);
    if (this.held.line) {
      const last = this.held.line.at(-1);
      if (Math.hypot(at[0] - last[0], at[1] - last[1]) > APART * this.scale && this.held.line.length < MOST) this.held.line.push(at);
      this.paint();
      return;
    }
    const { end, from, start } = this.held;
    this.shift(start, end, at[0] - from[0], at[1] - from[1]);
  }

  shift(start, end, dx, dy) {
    const moved = start.map((p, i) => (end === "all" || Number(end) === i ? [p[0] + dx, p[1] + dy] : p));
    this.change(this.chosen, { at: moved.map((p) => this.shareOf(p)) });
  }

  end() {
    const { held } = this;
    this.held = null;
    if (!held?.line) {
      if (held) this.keep();
      return;
    }
    const [first, last] = [held.line[0], held.line.at(-1)];
    const long = held.line.reduce((sum, p, i) => sum + (i ? Math.hypot(p[0] - held.line[i - 1][0], p[1] - held.line[i - 1][1]) : 0), 0);
    const click = long < LEAST * this.scale;
    const stroke = this.how.value === "stroke";
    const width = stroke ? Math.max(0.005, Math.min(0.5, (this.width.valueAsNumber || 5) / 100)) : null;
    const half = 40 * this.scale;
    let points = click ? [first] : plain(held.line, 2 * this.scale);
    if (!stroke && points.length < 3) points = [[-1, -1], [1, -1], [1, 1], [-1, 1]].map(([x, y]) => [(first[0] + last[0]) / 2 + x * half, (first[1] + last[1]) / 2 + y * half]);
    this.put(this.fresh(points.map((p) => this.shareOf(p)), width));
  }

  drop() {
    this.held = null;
    this.paint();
  }

  pick(i) {
    this.chosen = i;
    this.rows();
    this.paint();
  }

  paint() {
    if (!this.sheet) return;
    const [w, h] = this.sheet.facts.size;
    this.layer.setAttribute("viewBox", `0 0 ${w} ${h}`);
    if (!this.on) return this.layer.replaceChildren();
    const focused = document.activeElement?.dataset?.end;
    const { scale } = this;
    const long = Math.max(this.sheet.facts.camera.width, this.sheet.facts.camera.height) / (this.sheet.facts.room[2] / w);
    const path = (points, closed) => `M${points.map((p) => `${p[0].toFixed(1)} ${p[1].toFixed(1)}`).join("L")}${closed ? "Z" : points.length === 1 ? "h0.1" : ""}`;
    const drawn = this.touches.flatMap((t, i) => {
      const points = t.at.map((p) => this.sheet.toPaper(p));
      const d = path(points, t.width === null);
      const mark = `${i === this.chosen ? " chosen" : ""}${t.off ? " off" : ""}`;
      return [t.width === null ? svg("path", { class: "grip", d, "data-touch": i }) : svg("path", { class: "grip stroke", d, "data-touch": i, "stroke-width": t.width * long }),
        svg("path", { class: `shade`, d, "stroke-width": 3.5 * scale }), svg("path", { class: `rim${mark}`, d, "stroke-width": 1.5 * scale, "stroke-dasharray": t.off ? `${2 * scale} ${6 * scale}` : null }),
        svg("text", { class: "off", x: points[0][0] + 8 * scale, y: points[0][1] - 8 * scale, "font-size": 15 * scale }, String(i + 1))];
    });
    this.layer.replaceChildren(...drawn, ...this.handles(scale), ...(this.held?.line ? [svg("path", { class: "shade", d: path(this.held.line, false), "stroke-width": 3.5 * scale }),
      svg("path", { class: "rim chosen", d: path(this.held.line, this.how.value === "outline"), "stroke-width": 1.5 * scale })] : []));
    if (focused) this.layer.querySelector(`[data-end="${focused}"]`)?.focus();
    return undefined;
  }

  handles(scale) {
    const touch = this.touches[this.chosen];
    if (!touch) return [];
    const points = touch.at.map((p) => this.sheet.toPaper(p));
    const ends = touch.width === null && points.length <= CORNERS ? points.map((p, i) => [String(i), p, say("corner {i}", { i: i + 1 })]) : [];
    return [...ends, ["all", middle(points), say("all of it")]].map(([end, [x, y], words]) =>
      svg("circle", { class: `end${end === "all" ? " whole" : ""}`, cx: x, cy: y, r: (end === "all" ? 11 : 8) * scale, "stroke-width": 2 * scale, tabindex: 0, role: "button", "data-end": end,
        "aria-label": say("Place {chosen}, {words}: arrows move it, Delete removes the place", { chosen: this.chosen + 1, words }), onkeydown: (e) => this.key(e, end) }));
  }

  key(event, end) {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    const step = (event.shiftKey ? 2 : 10) * this.scale;
    if (way) this.shift(this.touches[this.chosen].at.map((p) => this.sheet.toPaper(p)), end, way[0] * step, way[1] * step);
    else if (event.key === "Delete" || event.key === "Backspace") this.remove(this.chosen);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  // ---- the list

  rows() {
    const focused = document.activeElement?.dataset?.of;
    this.list.replaceChildren(...this.touches.map((touch, i) => this.row(touch, i)));
    if (focused) this.list.querySelector(`[data-of="${focused}"]`)?.focus();
  }

  row(touch, i) {
    const { label, number } = kindOf(touch.kind);
    const named = say("Place {i}, {label}", { i: i + 1, label: inside(label) });
    const amount = number ? [this.field(i, `${named}: ${number.word}`, number, touch[number.name] ?? number.begin, (v) => ({ [number.name]: v })), el("span", { class: "quiet" }, number.unit)]
      : [el("select", { "aria-label": say("{named}: by what", { named }), "data-of": `by${i}`, onchange: (e) => { this.change(i, { by: e.target.value === "surroundings" ? "surroundings" : null }); } },
        el("option", { value: "frame", selected: touch.by !== "surroundings" }, say("by another frame")), el("option", { value: "surroundings", selected: touch.by === "surroundings" }, say("else its surroundings")))];
    const wide = touch.width === null ? [] : [this.field(i, say("{named}: width", { named }), { times: 100, min: 0.005, max: 0.5, step: 0.005, figures: 1 }, touch.width, (v) => ({ width: v })), el("span", { class: "quiet" }, say("% wide"))];
    return el("li", { class: i === this.chosen ? "chosen" : null, onfocusin: () => this.seen(i) },
      el("div", { class: "row" }, el("button", { type: "button", class: "plain", onclick: () => this.pick(i), "data-of": `name${i}` }, label),
        el("label", { class: "check" }, el("input", { type: "checkbox", checked: !touch.off, "data-of": `on${i}`, "aria-label": say("{named}: on", { named }), onchange: (e) => this.change(i, { off: !e.target.checked }) }), say("on")),
        button("×", () => this.remove(i), { "aria-label": say("Remove place {i}", { i: i + 1 }), class: "give" })),
      el("div", { class: "row" }, amount, wide), el("p", { class: "quiet said", "aria-live": "polite" }));
  }

  field(i, label, { times, min, max, step, figures }, value, as) {
    const input = el("input", { type: "number", class: "number", min: min * times, max: max * times, step: step * times, value: (value * times).toFixed(figures),
      "aria-label": label, "data-of": `${label}`, oninput: () => {
        const now = input.valueAsNumber / times;
        if (!Number.isNaN(now) && now >= min && now <= max) this.change(i, as(round(now)));
      }, onchange: () => {
        const now = Math.max(min, Math.min(max, input.valueAsNumber / times));
        input.value = (Number.isNaN(now) ? value * times : now * times).toFixed(figures);
        if (!Number.isNaN(now)) { this.change(i, as(round(now))); this.keep(); }
      } });
    return input;
  }

  seen(i) {
    if (this.chosen === i) return;
    this.chosen = i;
    [...this.list.children].forEach((row, k) => row.classList.toggle("chosen", k === i));
    this.paint();
  }

  // What came of marks that were to be taken out, in their order.
  words() {
    const those = [...this.told];
    this.touches.forEach((t, i) => {
      const said = t.kind === "take out" && !t.off ? told(those.shift()?.said ?? "") : "";
      const at = this.list.children[i]?.querySelector(".said");
      if (at && at.textContent !== said) at.textContent = said;
    });
  }
}
