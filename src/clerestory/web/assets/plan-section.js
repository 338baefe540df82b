// The section: along a view's line of sight (eye, picture, ceiling, windows of the wall it meets), or across a room
// at a window (sill, head, the sun's ray). Level to the right, heights upwards, metres; handles drag heights.

import { svg } from "./build.js";
import { decimal, figure, say } from "./say.js";

const r2 = (v) => Math.round(v * 100) / 100;

export class PlanSection {
  constructor(page) {
    this.page = page;
    this.node = svg("svg", { class: "section", role: "group", "aria-label": say("Section: heights in metres; the round handles are dragged up and down, or moved with the arrow keys") });
    this.node.addEventListener("pointerdown", (e) => this.down(e));
    this.node.addEventListener("keydown", (e) => this.key(e));
  }

  draw() {
    const { chosen } = this.page;
    if (chosen?.table === "window") this.window(this.page.row("window", chosen.name));
    else if (this.page.view) this.view(this.page.view, this.page.seen);
    else this.node.replaceChildren();
  }

  says(words) {
    const head = this.node.parentNode?.querySelector("figcaption");
    if (head) head.textContent = words;
  }

  frame(long, high, from = -1.5) {
    const pad = 0.08 * Math.max(long - from, high);
    this.unit = Math.max(long - from, 1.9 * high) / 70;
    const box = [from - pad, -high - pad, long - from + 2 * pad, high + 2 * pad];
    if (!this.drag) this.node.setAttribute("viewBox", box.join(" "));
    let lines = "";
    for (let z = 0; z <= high + 0.01; z += 5) lines += `M${from - pad} ${-z}H${long + pad}`;
    const labels = [];
    for (let z = 0; z <= high; z += 5) labels.push(svg("text", { x: from - pad + 0.3 * this.unit, y: -z - 0.4 * this.unit, "font-size": 2 * this.unit, class: "height" }, `${z} m`));
    return [svg("path", { d: lines, class: "grid", "stroke-width": 0.1 * this.unit }), ...labels];
  }

  handle(table, name, field, x, z, label) {
    return svg("circle", { cx: x, cy: -z, r: 1.3 * this.unit, class: "handle", tabindex: 0, role: "slider", "aria-orientation": "vertical",
      "aria-valuenow": r2(z), "aria-label": label, "data-table": table, "data-name": name, "data-field": field },
    svg("title", {}, `${label}: ${figure(r2(z))} m`));
  }

  // ---- along the sight

  view(v, seen) {
    const station = this.page.row("station", seen?.station ?? v.stations[0] ?? "") ?? this.page.rows.station[0];
    const room = this.page.row("room", v.room);
    const [ex, ey] = station.at_m;
    const floor = station.floor_m ?? 0;
    const eye = floor + station.eye_m;
    const run = Math.hypot(v.centre_m[0] - ex, v.centre_m[1] - ey);
    const long = Math.max(run, 3);
    const parts = this.frame(long * 1.06, room.height_m);
    const u = this.unit;
    this.says(say("Section along {view}, from {station}", { view: v.name, station: station.name }));
    parts.push(svg("path", { d: `M-1.5 0H${long * 1.06}M-1.5 ${-room.height_m}H${long * 1.06}`, class: "outline", "stroke-width": 0.35 * u }));
    if (v.on !== "vault" && v.on !== "free") parts.push(svg("path", { d: `M${run} 0V${-room.height_m}`, class: "outline", "stroke-width": 0.35 * u }));
    if (seen && !seen.no) {
      const reach = run > 0.5 ? run : 1;
      const ends = seen.up.map((rise) => (Math.abs(rise) * reach > 3 * room.height_m ? [1.2 * room.height_m / Math.abs(rise), Math.sign(rise) * 1.2 * room.height_m] : [reach, rise * reach]));
      parts.push(svg("path", { d: `M${ends[0][0]} ${-(eye + ends[0][1])}L0 ${-eye}L${ends[1][0]} ${-(eye + ends[1][1])}`, class: "reach-of", "stroke-width": 0.25 * u }));
      if (Math.abs(seen.tilt) >= 0.5) {
        const t = seen.tilt * Math.PI / 180;
        const far = 0.3 * Math.max(reach, 4);
        parts.push(svg("path", { d: `M${far} ${-eye}H0L${far * Math.cos(t)} ${-(eye + far * Math.sin(t))}`, class: "tilt", "stroke-width": 0.25 * u }),
          svg("text", { x: far * 1.04, y: -(eye + 0.5 * far * Math.sin(t)), "font-size": 2.4 * u, class: "said" }, say("tilt {tilt}°", { tilt: decimal(seen.tilt, 0) })));
      }
    }
    if (v.on !== "free" && v.on !== "vault") {
      for (const w of this.page.rows.window.filter((one) => one.room === v.room && one.wall === v.on)) {
        parts.push(svg("path", { d: `M${run} ${-w.sill_m}V${-w.head_m}`, class: "glass", "stroke-width": 1.2 * u }));
      }
    }
    const [low, high] = v.on === "vault" ? [v.centre_m[2], v.centre_m[2]] : [v.centre_m[2] - v.height_m / 2, v.centre_m[2] + v.height_m / 2];
    parts.push(svg("path", { d: v.on === "vault" ? `M${run - v.height_m / 2} ${-high}H${run + v.height_m / 2}` : `M${run} ${-low}V${-high}`, class: "subject", "stroke-width": 0.9 * u }));
    if (floor) parts.push(svg("path", { d: `M-1.5 ${-floor}H1`, class: "outline", "stroke-width": 0.35 * u }));
    parts.push(svg("path", { d: `M0 ${-eye}V${-floor}`, class: "person", "stroke-width": 0.4 * u }));
    parts.push(this.handle("station", station.name, "eye_m", 0, eye, say("Eye at {name}", { name: station.name })));
    parts.push(this.handle("view", v.name, "centre_m", run, v.centre_m[2], say("Middle of {name}", { name: v.name })));
    if (v.on !== "vault") parts.push(this.handle("view", v.name, "height_m", run, high, say("Upper edge of {name}", { name: v.name })));
    this.node.replaceChildren(...parts);
  }

  // ---- across the room at a window

  window(w) {
    const room = this.page.row("room", w.room);
    const across = w.wall === "east" || w.wall === "west" ? room.length_m : room.width_m;
    const deep = Math.min(across, 3 * room.height_m);
    const parts = this.frame(deep + w.wall_thickness_m + 1, room.height_m, -0.5);
    const u = this.unit;
    const t = w.wall_thickness_m;
    parts.push(svg("path", { d: `M0 0H${deep}M0 ${-room.height_m}H${deep + t}`, class: "outline", "stroke-width": 0.35 * u }),
      svg("path", { d: `M${deep} 0H${deep + t}V${-w.sill_m}H${deep}ZM${deep} ${-w.head_m}H${deep + t}V${-room.height_m}H${deep}Z`, class: "masonry", "stroke-width": 0.25 * u }),
      svg("path", { d: `M${deep + t / 2} ${-w.sill_m}V${-w.head_m}`, class: "glass", "stroke-width": 0.6 * u }));
    const ray = this.page.ray(w);
    if (ray) { // how much the sun sinks for a metre into the room
      const land = (z) => Math.min(deep, z / ray);
      for (const z of [w.sill_m, w.head_m]) {
        const far = land(z);
        parts.push(svg("path", { d: `M${deep + t} ${-(z + t * ray)}L${deep - far} ${-(z - far * ray)}`, class: "ray", "stroke-width": 0.25 * u }));
      }
    }
    this.says(ray ? say("Section at {name}, with the sun's ray at the hour above", { name: w.name }) : say("Section at {name}; no sun comes through it at the hour above", { name: w.name }));
    parts.push(this.handle("window", w.name, "sill_m", deep + t / 2, w.sill_m, say("Sill of {name}", { name: w.name })),
      this.handle("window", w.name, "head_m", deep + t / 2, w.head_m, say("Head of {name}", { name: w.name })));
    this.node.replaceChildren(...parts);
  }

  // ---- moved

  height(event) {
    return -new DOMPoint(event.clientX, event.clientY).matrixTransform(this.node.getScreenCTM().inverse()).y;
  }

  down(event) {
    const handle = event.target.closest?.(".handle");
    if (!handle || event.button) return;
    event.preventDefault();
    const { table, name, field } = handle.dataset;
    this.drag = { table, name, field, row: structuredClone(this.page.row(table, name)), from: this.height(event), moved: false };
    this.node.setPointerCapture(event.pointerId);
    const move = (e) => {
      const by = this.height(e) - this.drag.from;
      if (!this.drag.moved && Math.abs(by) < 0.3 * this.unit) return;
      this.drag.moved = true;
      this.page.moving({ table, name, set: this.raised(field, this.drag.row, by) });
    };
    const up = (e) => {
      this.node.removeEventListener("pointermove", move);
      this.node.removeEventListener("pointerup", up);
      this.node.removeEventListener("pointercancel", up);
      const moved = this.drag?.moved;
      this.drag = null;
      if (moved) this.page.settle(e.type === "pointercancel");
    };
    this.node.addEventListener("pointermove", move);
    this.node.addEventListener("pointerup", up);
    this.node.addEventListener("pointercancel", up);
  }

  raised(field, row, by) {
    if (field === "centre_m") return { centre_m: [row.centre_m[0], row.centre_m[1], r2(Math.max(0.05, row.centre_m[2] + by))] };
    if (field === "height_m") return { height_m: r2(Math.max(0.1, row.height_m + 2 * by)) };
    if (field === "sill_m") return { sill_m: r2(Math.min(Math.max(0, row.sill_m + by), row.head_m - 0.1)) };
    if (field === "head_m") {
      const top = this.page.row("room", row.room).height_m;
      return { head_m: r2(Math.max(Math.min(row.head_m + by, top), row.sill_m + 0.1)) };
    }
    return { eye_m: r2(Math.max(0.1, row.eye_m + by)) };
  }

  key(event) {
    const handle = event.target.closest?.(".handle");
    const by = { ArrowUp: 0.1, ArrowDown: -0.1 }[event.key];
    if (!handle || !by) return;
    event.preventDefault();
    event.stopPropagation();
    const { table, name, field } = handle.dataset;
    this.page.moving({ table, name, set: this.raised(field, this.page.row(table, name), event.shiftKey ? 10 * by : by) });
    this.page.settleSoon();
    this.node.querySelector(`.handle[data-field="${field}"]`)?.focus();
  }
}
