// The day as one strip: hours to the right; above, where along the building the patch lies on the floor; below, a line
// for each kind of window: when sun passes it (pale) and lies on the floor (bright), and how far the ends may be off.

import { el, svg } from "./build.js";
import { say, told } from "./say.js";

const WIDE = 900;
const LABEL = 150;
const LINE = 20;
const BAND = 90;

// Windows in words, those of one row together: "south clerestory 1 to 6, east window".
export function together(names) {
  const rows = new Map();
  for (const name of names) {
    const [, row, number] = /^(.*?)[ -]*(\d*)$/.exec(name);
    if (!rows.has(row)) rows.set(row, []);
    if (number) rows.get(row).push(Number(number));
  }
  return [...rows].map(([row, numbers]) => {
    const n = numbers.sort((a, b) => a - b);
    if (!n.length) return row;
    const whole = n.length > 2 && n.at(-1) - n[0] === n.length - 1;
    return `${row} ${whole ? say("{first} to {last}", { first: n[0], last: n.at(-1) }) : n.join(", ")}`;
  }).join(", ");
}

const stem = (name) => name.replace(/[ -]*\d+$/, "");

export class PlanStrip {
  constructor(page) {
    this.page = page;
    this.node = el("div", { class: "strip" });
  }

  // Windows whose sun passes at the same times and that bear the same name but for a number, on one line.
  groups(strips) {
    const found = new Map();
    for (const row of strips.rows) {
      if (!row.passes.length) continue;
      const key = `${stem(row.window)} ${row.passes.map((s) => `${Math.round(s.from / 5)} ${Math.round(s.to / 5)}`)}`;
      if (!found.has(key)) found.set(key, []);
      found.get(key).push(row);
    }
    return [...found.values()];
  }

  draw() {
    const { strips, steps } = this.page.day;
    const groups = this.groups(strips);
    const lit = groups.length > 0;
    const tall = BAND + 24 + LINE * Math.max(groups.length, 1) + 8;
    // Only the hours round the sun's, so that they are wide enough to read.
    const ends = strips.rows.flatMap((r) => r.passes.flatMap((s) => [s.from, s.to]));
    const from = lit ? Math.max(0, Math.min(...ends) - 60) : 0;
    const to = lit ? Math.min(strips.minutes, Math.max(...ends) + 60) : strips.minutes;
    const x = (minutes) => LABEL + ((WIDE - LABEL) * (Math.min(Math.max(minutes, from), to) - from)) / (to - from);
    this.x = x;
    const base = BAND + 20;
    const parts = strips.hours.filter(([m]) => m >= from && m <= to).map(([m, label]) => svg("g", { class: "hour" },
      svg("path", { d: `M${x(m)} 4V${tall}` }), svg("text", { x: x(m) + 3, y: BAND + 14 }, label)));
    parts.push(...this.band(steps, x));
    groups.forEach((rows, k) => {
      const y = base + LINE * k + 4;
      const names = rows.map((r) => r.window);
      const chosen = this.page.chosen?.table === "window" && names.includes(this.page.chosen.name);
      const label = rows.length > 1 ? `${stem(names[0])} (${rows.length})` : names[0];
      parts.push(svg("text", { x: 2, y: y + 12, class: chosen ? "label chosen" : "label" }, label.length > 23 ? `${label.slice(0, 22)}…` : label));
      parts.push(...this.bars(rows[0].passes, y, "passes", x));
      parts.push(...this.bars(chosen ? rows.find((r) => r.window === this.page.chosen.name).floor : rows.flatMap((r) => r.floor), y + 4, "floor", x));
    });
    if (!lit) parts.push(svg("text", { x: LABEL, y: base + 14, class: "label" }, say("No sun comes through any window on this day.")));
    const now = svg("path", { class: "now", d: `M0 4V${tall}` });
    this.now = now;
    this.node.replaceChildren(svg("svg", { viewBox: `0 0 ${WIDE} ${tall}`, role: "img", "aria-label": say("The sun in the windows through the day, and where along the building its patch lies") }, ...parts, now));
    this.tick();
  }

  bars(spans, y, kind, x) {
    const high = kind === "floor" ? 6 : 14;
    return spans.flatMap((s) => [
      s.early || s.late ? svg("path", { d: `M${x(s.from - s.early)} ${y + high / 2}H${x(s.to + s.late)}`, class: "may" }) : "",
      svg("rect", { x: x(s.from), y, width: Math.max(1, x(s.to) - x(s.from)), height: high, class: `${kind}${s.sure ? "" : " unsure"}` },
        svg("title", {}, (kind === "floor" ? say("On the floor {from} to {to}", { from: this.page.clockAt(s.from), to: this.page.clockAt(s.to) }) : say("Sun {from} to {to}", { from: this.page.clockAt(s.from), to: this.page.clockAt(s.to) }))
          + (s.off ? say(", give or take {off}", { off: told(s.off) }) : "") + (s.sure ? "" : say(", perhaps"))))]);
  }

  // Where along the building the patches of the chosen window, else of all, lie on the floor.
  band(steps, x) {
    const rooms = this.page.rows.room;
    const low = Math.min(...rooms.map((r) => r.west_end_m[1]));
    const high = Math.max(...rooms.map((r) => r.west_end_m[1] + r.length_m));
    const y = (along) => BAND - (BAND - 8) * (along - low) / (high - low);
    const start = steps[0].seconds;
    const only = this.page.chosen?.table === "window" ? this.page.chosen.name : null;
    const parts = [svg("text", { x: 2, y: 18, class: "label" }, say("altar end")), svg("text", { x: 2, y: BAND, class: "label" }, say("west end")),
      svg("text", { x: 2, y: BAND / 2 + 8, class: "label" }, only ?? say("all windows"))];
    for (const step of steps) {
      const at = (step.seconds - start) / 60;
      for (const l of step.lit) {
        if (l.face !== "floor" || (only && l.window !== only)) continue;
        const along = l.corners.map((c) => c[1]);
        parts.push(svg("rect", { x: x(at - 5), y: y(Math.max(...along)), width: x(at + 5) - x(at - 5) + 0.3, height: Math.max(1, y(Math.min(...along)) - y(Math.max(...along))), class: only ? "fall one" : "fall" }));
      }
    }
    return parts;
  }

  tick() {
    if (!this.now) return;
    const { steps } = this.page.day;
    this.now.setAttribute("transform", `translate(${this.x((steps[this.page.step].seconds - steps[0].seconds) / 60)} 0)`);
  }
}
