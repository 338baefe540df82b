// Frames of this visit placed on the map: where each was taken, by its own edges and the plan's rooms and windows.

import { button, el, svg } from "./build.js";
import { decimal, say, told } from "./say.js";

export class PlanTaken {
  constructor(page) {
    this.page = page;
    this.found = [];
  }

  // A form's part: a frame is chosen, and which way it looks, where one remembers.
  tools() {
    const { visit } = this.page.house;
    const frames = Object.keys(visit.frames ?? {});
    if (!frames.length) return "";
    this.said = el("p", { class: "quiet", role: "status" }, this.words ?? "");
    const frame = el("select", { id: "taken-frame" }, ...visit.views.map((v) => el("option", { value: v.pick }, `${v.name}${v.title ? `, ${v.title}` : ""}`)));
    const towards = el("select", { id: "taken-towards" }, ...[["", say("not known")], ["east", say("the altar")], ["west", say("the west door")], ["south", say("the right, facing the altar")], ["north", say("the left")]]
      .map(([value, words]) => el("option", { value }, words)));
    const place = button(say("Place it on the map"), async () => {
      this.tell(say("Looking at its edges"));
      try {
        const found = await this.page.house.wire.ask("plan place", { frame: frame.value, towards: towards.value });
        this.found = [...this.found.filter((f) => f.frame !== found.frame), found];
        this.tell(say("{frame}: {right} m right, {along} m along, {up} m up; give or take {off} m and {turn}°.",
          { frame: found.frame, right: decimal(found.at[0], 1), along: decimal(found.at[1], 1), up: decimal(found.eye, 1), off: decimal(found.off, 1), turn: decimal(found.turn_off, 1) })
          + (found.explained < 0.78 ? ` ${say("Its edges do not fit the rooms of this plan: the point is hardly known.")}` : found.sure ? "" : ` ${say("Other places explain it nearly as well.")}`));
        this.page.map.draw();
        this.make.disabled = false;
      } catch (problem) {
        this.tell(told(problem.message));
      }
    });
    this.make = button(say("Make it a point"), () => {
      const last = this.found.at(-1);
      this.page.write([{ table: "station", name: say("where {frame} was taken", { frame: last.frame.replace(/[.][^.]*$/, "") }), set: { at_m: last.at.map((v) => Math.round(100 * v) / 100), eye_m: Math.round(100 * last.eye) / 100 }, was: {} }]).catch(() => 0);
    }, { disabled: !this.found.length });
    return el("div", { class: "taken" }, el("h2", {}, say("From your own frames")),
      el("div", { class: "fields" }, el("label", { for: "taken-frame" }, say("Frame")), frame, el("label", { for: "taken-towards" }, say("It looks towards")), towards),
      el("div", { class: "row" }, place, this.make), this.said);
  }

  // The part may have been drawn anew since the question was asked: the words stand in the one that is shown.
  tell(words) {
    this.words = words;
    this.said.textContent = words;
  }

  // Marks on the map: the point with its bound, the direction with its own.
  marks(unit) {
    return this.found.map((f) => {
      const [x, y] = [f.at[1], f.at[0]];
      const ray = (turn) => {
        const a = (f.direction + turn) * Math.PI / 180;
        return `L${x + 8 * unit * Math.cos(a)} ${y + 8 * unit * Math.sin(a)}`;
      };
      const spread = Math.max(f.turn_off, 1.5);
      return svg("g", { class: f.sure ? "placed" : "placed unsure" },
        svg("circle", { cx: x, cy: y, r: Math.max(f.off, 0.5 * unit), class: "bound", "stroke-width": 0.2 * unit }),
        svg("path", { d: `M${x} ${y}${ray(-spread)}${ray(spread)}Z`, class: "way" }),
        svg("circle", { cx: x, cy: y, r: 0.6 * unit }), svg("title", {}, say("{frame}, taken within {off} m of here", { frame: f.frame, off: decimal(f.off, 1) })));
    });
  }
}
