// The building from above: rooms, windows, points to stand at and views, to be dragged. Altar to the right: the svg's
// x is along the building, its y to the right of the axis, both in metres.

import { svg } from "./build.js";
import { figure, say } from "./say.js";

const GRID = 5; // metres
const NICE = [1, 2, 5, 10, 20, 50, 100];
const r2 = (v) => Math.round(v * 100) / 100;

// The middle of a window on the plan (right, along), and the way along its wall.
export function windowPlace(w, rooms, axis) {
  const room = rooms.find((r) => r.name === w.room);
  if (w.at_m || !room) {
    const a = ((w.faces_deg ?? axis) - axis) * Math.PI / 180;
    return { at: w.at_m ?? [0, 0], way: [-Math.cos(a), Math.sin(a)] };
  }
  const [x, y] = room.west_end_m;
  const along = w.along_m ?? 0;
  const places = {
    north: { at: [x - room.width_m / 2, y + along], way: [0, 1] },
    south: { at: [x + room.width_m / 2, y + along], way: [0, 1] },
    west: { at: [x + along, y], way: [1, 0] },
    east: { at: [x + along, y + room.length_m], way: [1, 0] },
  };
  return places[w.wall];
}

const WALLS = {
  east: (name) => say("east wall of {name}", { name }), west: (name) => say("west wall of {name}", { name }),
  south: (name) => say("south wall of {name}", { name }), north: (name) => say("north wall of {name}", { name }),
};

export class PlanMap {
  // `page`: what is drawn (rows, axis, chosen), and hears of what is chosen and moved.
  constructor(page) {
    this.page = page;
    this.node = svg("svg", { class: "map", role: "group", "aria-label": say("The building from above, altar to the right; what is chosen can be dragged, or moved with the arrow keys") });
    this.layers = Object.fromEntries(["under", "grid", "rooms", "lit", "sight", "windows", "views", "stations", "taken", "handles", "signs"]
      .map((name) => [name, svg("g", { class: `layer ${name}` })]));
    this.node.append(...Object.values(this.layers));
    this.node.addEventListener("pointerdown", (e) => this.down(e));
    this.node.addEventListener("keydown", (e) => this.key(e));
    new ResizeObserver(() => this.page.rows.room.length && this.draw()).observe(this.node);
  }

  // ---- drawn

  draw() {
    const { room } = this.page.rows;
    const all = room.flatMap((r) => [[r.west_end_m[0] - r.width_m / 2, r.west_end_m[1]], [r.west_end_m[0] + r.width_m / 2, r.west_end_m[1] + r.length_m]]);
    const xs = all.map((p) => p[0]);
    const ys = all.map((p) => p[1]);
    const pad = Math.max(3, 0.04 * (Math.max(...ys) - Math.min(...ys)));
    if (!this.drag) {
      this.box = [Math.min(...ys) - pad, Math.min(...xs) - pad, Math.max(...ys) + pad, Math.max(...xs) + pad];
      // As wide as the place on the page, so that grid and signs fill it.
      const shape = (this.node.clientWidth || 2) / (this.node.clientHeight || 1);
      const [wide, high] = [this.box[2] - this.box[0], this.box[3] - this.box[1]];
      const more = wide / high < shape ? [(high * shape - wide) / 2, 0] : [0, (wide / shape - high) / 2];
      this.box = [this.box[0] - more[0], this.box[1] - more[1], this.box[2] + more[0], this.box[3] + more[1]];
      const [left, top, right, foot] = this.box;
      this.unit = Math.max((right - left) / 100, (5.6 * (right - left)) / (this.node.clientWidth || 800)); // no smaller than a hand sees
      this.node.setAttribute("viewBox", `${left} ${top} ${right - left} ${foot - top}`);
    }
    this.grid();
    this.under();
    this.layers.rooms.replaceChildren(...room.map((r) => this.room(r)));
    this.layers.windows.replaceChildren(...this.page.rows.window.map((w) => this.window(w)));
    this.names = this.placeNames();
    this.layers.stations.replaceChildren(...this.page.rows.station.map((s) => this.station(s)));
    this.layers.views.replaceChildren(...this.page.rows.view.map((v) => this.view(v)));
    this.layers.taken.replaceChildren(...this.page.taken.marks(this.unit));
    this.handles();
    this.signs();
    this.sight(this.page.seen);
  }

  // Where the points' names stand: beside their point, over no other name or point; where no place is free the number
  // alone, and the whole name when it is chosen.
  placeNames() {
    const u = this.unit;
    const size = 1.9 * u;
    const { station } = this.page.rows;
    const full = station.map((s) => [s.at_m[1] - 1.1 * u, s.at_m[0] - 1.1 * u, s.at_m[1] + 1.1 * u, s.at_m[0] + 1.1 * u]);
    const [left, top, right, foot] = this.box;
    const free = (a) => a[0] > left && a[1] > top && a[2] < right && a[3] < foot
      && !full.some((b) => a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]);
    const places = new Map();
    const chosen = (s) => this.page.isChosen("station", s.name);
    for (const s of [...station].sort((a, b) => chosen(b) - chosen(a) || a.at_m[1] - b.at_m[1])) {
      const [x, y] = [s.at_m[1], s.at_m[0]];
      const number = this.page.numbers.get(s.name);
      const tries = [this.numbered(s), number ? String(number) : ""].flatMap((words) => [[1, -0.9], [1, 2.4], [-1, -0.9], [-1, 2.4]].map(([side, down]) => {
        const [from, foot1, wide] = [x + side * 1.7 * u, y + down * u, 0.56 * size * words.length];
        return { words, x: from, y: foot1, end: side < 0, box: [side < 0 ? from - wide : from, foot1 - 0.8 * size, side < 0 ? from : from + wide, foot1 + 0.25 * size] };
      }));
      const found = tries.find((t) => free(t.box)) ?? (chosen(s) ? tries[0] : { ...tries[0], words: "" });
      if (found.words) full.push(found.box);
      places.set(s.name, found);
    }
    return places;
  }

  grid() {
    const [left, top, right, foot] = this.box;
    let path = "";
    for (let x = Math.ceil(left / GRID) * GRID; x < right; x += GRID) path += `M${x} ${top}V${foot}`;
    for (let y = Math.ceil(top / GRID) * GRID; y < foot; y += GRID) path += `M${left} ${y}H${right}`;
    this.layers.grid.replaceChildren(svg("path", { d: path, "stroke-width": 0.08 * this.unit }),
      svg("path", { d: `M${left} 0H${right}`, "stroke-width": 0.12 * this.unit, "stroke-dasharray": `${this.unit} ${0.6 * this.unit}`, class: "axis" }));
  }

  // A scanned plan laid under, put in its place by two points.
  under() {
    const d = this.page.under;
    if (!d) return this.layers.under.replaceChildren();
    const [[ax, ay], [bx, by]] = d.points_px;
    const [[ar, aa], [br, ba]] = d.points_m;
    // Picture pixels (x right, y down) to the svg's (along, right), both read as complex numbers.
    const p = [bx - ax, by - ay];
    const q = [ba - aa, br - ar];
    const n = p[0] ** 2 + p[1] ** 2;
    const [re, im] = [(q[0] * p[0] + q[1] * p[1]) / n, (q[1] * p[0] - q[0] * p[1]) / n];
    const e = aa - (re * ax - im * ay);
    const f = ar - (im * ax + re * ay);
    const image = this.layers.under.firstChild ?? svg("image");
    if (image.getAttribute("href") !== d.href) image.setAttribute("href", d.href);
    for (const [name, value] of [["width", d.size[0]], ["height", d.size[1]], ["transform", `matrix(${re} ${im} ${-im} ${re} ${e} ${f})`]]) image.setAttribute(name, value);
    if (!image.parentNode) this.layers.under.append(image);
  }

  group(table, row, label, ...parts) {
    const chosen = this.page.isChosen(table, row.name);
    return svg("g", { class: `thing ${table}${chosen ? " chosen" : ""}${row.assumed ? " assumed" : ""}`, tabindex: 0, role: "button",
      "aria-pressed": String(chosen), "aria-label": label, "data-table": table, "data-name": row.name }, ...parts, svg("title", {}, label));
  }

  room(r) {
    return this.group("room", r, say("Room {name}, {length} by {width} m, {height} m high", { name: r.name, length: figure(r2(r.length_m)), width: figure(r2(r.width_m)), height: figure(r2(r.height_m)) }) + (r.assumed ? say(", assumed") : ""),
      svg("rect", { x: r.west_end_m[1], y: r.west_end_m[0] - r.width_m / 2, width: r.length_m, height: r.width_m, class: "hall", "stroke-width": 0.3 * this.unit }));
  }

  window(w) {
    const { at, way } = windowPlace(w, this.page.rows.room, this.page.axis);
    const half = w.width_m / 2;
    const ends = { x1: at[1] - half * way[1], y1: at[0] - half * way[0], x2: at[1] + half * way[1], y2: at[0] + half * way[0] };
    const lit = this.page.shining.has(w.name);
    return this.group("window", w, say("Window {name}, sill {sill} m, head {head} m", { name: w.name, sill: figure(r2(w.sill_m)), head: figure(r2(w.head_m)) }) + (w.assumed ? say(", assumed") : ""),
      svg("line", { ...ends, class: "reach", "stroke-width": 3.4 * this.unit }),
      svg("line", { ...ends, class: `window${lit ? " sunlit" : ""}`, "stroke-width": (lit ? 1.2 : 0.8) * this.unit }));
  }

  // A point's name after the numbers of the views taken from it.
  numbered(s) {
    const numbers = this.page.numbers.get(s.name);
    return numbers ? `${numbers} ${s.name}` : s.name;
  }

  station(s) {
    const u = this.unit;
    const [x, y] = [s.at_m[1], s.at_m[0]];
    const name = this.names.get(s.name);
    return this.group("station", s, say("{name}, a point to stand at, {right} m right, {along} m along", { name: this.numbered(s), right: figure(r2(s.at_m[0])), along: figure(r2(s.at_m[1])) }),
      svg("circle", { cx: x, cy: y, r: 2.2 * u, class: "reach" }),
      svg("circle", { cx: x, cy: y, r: 1.05 * u, class: "spot" }),
      svg("text", { x: name.x, y: name.y, "font-size": 1.9 * u, "text-anchor": name.end ? "end" : "start" }, name.words));
  }

  // A view's subject: a line across it, and a square to drag it by.
  view(v) {
    const u = this.unit;
    const [x, y] = [v.centre_m[1], v.centre_m[0]];
    const across = v.on === "north" || v.on === "south" ? [1, 0] : [0, 1];
    const half = v.width_m / 2;
    const chosen = this.page.isChosen("view", v.name);
    return this.group("view", v, say("View {name}, {up} m up", { name: v.name, up: figure(r2(v.centre_m[2])) }),
      svg("rect", { x: x - 2.2 * u, y: y - 2.2 * u, width: 4.4 * u, height: 4.4 * u, class: "reach" }),
      chosen ? svg("line", { x1: x - half * across[0], y1: y - half * across[1], x2: x + half * across[0], y2: y + half * across[1], class: "subject", "stroke-width": 0.7 * u }) : "",
      svg("rect", { x: x - 0.75 * u, y: y - 0.75 * u, width: 1.5 * u, height: 1.5 * u, class: "mark", transform: `rotate(45 ${x} ${y})` }));
  }

  // Edges of the chosen room.
  handles() {
    const r = this.page.chosen?.table === "room" ? this.page.row("room", this.page.chosen.name) : null;
    if (!r) return this.layers.handles.replaceChildren();
    const [x, y] = r.west_end_m;
    const u = this.unit;
    const edges = { east: [y + r.length_m, x], west: [y, x], south: [y + r.length_m / 2, x + r.width_m / 2], north: [y + r.length_m / 2, x - r.width_m / 2] };
    this.layers.handles.replaceChildren(...Object.entries(edges).map(([edge, [cx, cy]]) =>
      svg("circle", { cx, cy, r: 1.1 * u, class: "handle", "data-edge": edge }, svg("title", {}, WALLS[edge](r.name)))));
  }

  // North and scale keep their size on the page.
  signs() {
    if (!this.box) return;
    const [left, top, right, foot] = this.box;
    const wide = this.node.clientWidth || 800;
    const high = this.node.clientHeight || 400;
    const scale = Math.max((right - left) / wide, (foot - top) / high); // metres to a pixel
    const metres = NICE.find((m) => m / scale >= 70) ?? 100;
    const px = (v) => v * scale;
    const [x, y] = [left + px(14), foot - px(12)];
    const nx = right - px(26);
    const ny = top + px(30);
    this.layers.signs.replaceChildren(
      svg("path", { d: `M${x} ${y - px(6)}v${px(6)}h${metres}v${-px(6)}`, class: "scale", "stroke-width": px(1.6) }),
      svg("text", { x: x + metres + px(7), y, "font-size": px(14) }, `${metres} m`),
      svg("g", { transform: `translate(${nx} ${ny}) rotate(${90 - this.page.axis}) scale(${scale})`, class: "north" },
        svg("path", { d: "M0 16V-14", "stroke-width": 1.6 }), svg("path", { d: "M0 -20L5 -8L0 -11L-5 -8Z" })),
      svg("text", { x: nx - px(22), y: ny + px(5), "font-size": px(14), "text-anchor": "middle" }, say("N")));
  }

  // What a view sees, and where one would stand for no tilt.
  sight(seen) {
    if (!seen || seen.no) return this.layers.sight.replaceChildren();
    const far = 1.12 * seen.distance;
    const [x, y] = [seen.eye[1], seen.eye[0]];
    const ends = seen.sides.map(([a, b]) => {
      const n = Math.hypot(a, b) || 1;
      return [x + (far * b) / n, y + (far * a) / n].join(",");
    });
    const u = this.unit;
    const level = seen.level && seen.tilt ? svg("g", { class: "level" },
      svg("line", { x1: x, y1: y, x2: seen.level[1], y2: seen.level[0], "stroke-width": 0.2 * u, "stroke-dasharray": `${0.6 * u} ${0.6 * u}` }),
      svg("circle", { cx: seen.level[1], cy: seen.level[0], r: 0.9 * u, "stroke-width": 0.3 * u }, svg("title", {}, say("From here the camera is level"))),
      svg("text", { x: seen.level[1], y: seen.level[0] + 3 * u, "font-size": 1.7 * u, "text-anchor": "middle" }, say("level"))) : "";
    this.layers.sight.replaceChildren(svg("polygon", { points: `${x},${y} ${ends.join(" ")}`, "stroke-width": 0.15 * u }), level);
  }

  lit(patches) {
    this.layers.lit.replaceChildren(...patches.map((l) => svg("polygon", { points: l.corners.map((c) => `${c[1]},${c[0]}`).join(" "),
      class: l.face === "floor" ? "patch" : "wall", "stroke-width": 0.15 * this.unit })));
    this.layers.windows.querySelectorAll("g.window").forEach((g) => {
      const on = this.page.shining.has(g.dataset.name);
      const line = g.querySelector("line.window");
      line.classList.toggle("sunlit", on);
      line.setAttribute("stroke-width", (on ? 1.2 : 0.8) * this.unit);
    });
  }

  // ---- moved

  metres(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.node.getScreenCTM().inverse());
    return [at.y, at.x]; // right of the axis, along it
  }

  down(event) {
    if (event.button) return;
    if (this.page.clicking?.(this.metres(event))) return event.preventDefault();
    const edge = event.target.closest?.("[data-edge]")?.dataset.edge;
    const thing = edge ? null : event.target.closest?.(".thing");
    const what = edge ? { table: "room", name: this.page.chosen.name } : thing && { table: thing.dataset.table, name: thing.dataset.name };
    if (!what) return;
    const held = this.page.isChosen(what.table, what.name);
    if (!held) this.page.choose(what.table, what.name);
    // A room is moved only once it is chosen: one touches it by chance too easily.
    if (what.table === "room" && !edge && !held) return;
    event.preventDefault();
    const row = structuredClone(this.page.row(what.table, what.name));
    this.drag = { ...what, edge, row, from: this.metres(event), moved: false, id: event.pointerId };
    this.node.setPointerCapture(event.pointerId);
    const move = (e) => this.move(e);
    const up = (e) => {
      this.node.removeEventListener("pointermove", move);
      this.node.removeEventListener("pointerup", up);
      this.node.removeEventListener("pointercancel", up);
      const { drag } = this;
      this.drag = null;
      if (drag?.moved) this.page.settle(e.type === "pointercancel");
    };
    this.node.addEventListener("pointermove", move);
    this.node.addEventListener("pointerup", up);
    this.node.addEventListener("pointercancel", up);
  }

  move(event) {
    const { drag } = this;
    const now = this.metres(event);
    const by = [now[0] - drag.from[0], now[1] - drag.from[1]];
    if (!drag.moved && Math.hypot(...by) < 0.4 * this.unit) return;
    drag.moved = true;
    const set = this.shifted(drag.table, drag.row, by, drag.edge);
    if (set) this.page.moving({ table: drag.table, name: drag.name, set });
  }

  // What a shift by metres (right, along) makes of a row.
  shifted(table, row, [right, along], edge) {
    if (table === "station") return { at_m: [r2(row.at_m[0] + right), r2(row.at_m[1] + along)] };
    if (table === "view") {
      const [x, y, z] = row.centre_m;
      const walled = { north: [0, along], south: [0, along], east: [right, 0], west: [right, 0] }[row.on] ?? [right, along];
      return { centre_m: [r2(x + walled[0]), r2(y + walled[1]), z] };
    }
    if (table === "window") {
      if (row.at_m) return { at_m: [r2(row.at_m[0] + right), r2(row.at_m[1] + along)], faces_deg: row.faces_deg };
      const room = this.page.row("room", row.room);
      const sides = row.wall === "north" || row.wall === "south";
      const [low, high] = sides ? [0, room.length_m] : [-room.width_m / 2, room.width_m / 2];
      return { along_m: r2(Math.min(high, Math.max(low, row.along_m + (sides ? along : right)))), wall: row.wall };
    }
    const [x, y] = row.west_end_m;
    if (!edge) return { west_end_m: [r2(x + right), r2(y + along)] };
    if (edge === "east") return { length_m: r2(Math.max(1, row.length_m + along)) };
    if (edge === "west") return { length_m: r2(Math.max(1, row.length_m - along)), west_end_m: [x, r2(y + Math.min(along, row.length_m - 1))] };
    const wider = edge === "south" ? right : -right; // the other side stays where it is
    return { width_m: r2(Math.max(1, row.width_m + wider)), west_end_m: [r2(x + right / 2), y] };
  }

  key(event) {
    const thing = event.target.closest?.(".thing");
    if (!thing) return;
    const { table, name } = thing.dataset;
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      event.stopPropagation();
      this.page.choose(table, name);
      this.refocus(table, name);
      return;
    }
    const step = event.shiftKey ? 1 : 0.1;
    const by = { ArrowUp: [-step, 0], ArrowDown: [step, 0], ArrowLeft: [0, -step], ArrowRight: [0, step] }[event.key];
    if (!by || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    event.stopPropagation();
    if (!this.page.isChosen(table, name)) this.page.choose(table, name);
    const set = this.shifted(table, this.page.row(table, name), by);
    this.page.moving({ table, name, set });
    this.page.settleSoon();
    this.refocus(table, name);
  }

  refocus(table, name) {
    this.node.querySelector(`.thing[data-table="${table}"][data-name="${CSS.escape(name)}"]`)?.focus();
  }
}
