// The line of controls under a picture: stops, kelvin and degrees, and a way to give each back to the tool.

import { debounce, el } from "./build.js";

export const signed = (v, figures = 1) => `${v > 0 ? "+" : v < 0 ? "−" : ""}${Math.abs(v).toFixed(figures)}`;
const stops = (v) => `${v.toFixed(1)} stops`;
const apart = (f) => !f.joined;

// own: what the tool does when the control is left to it; unset: how that is told where the value would say nothing.
const CONTROLS = [
  { name: "exposure", label: "Exposure", min: -3, max: 3, step: 0.05, own: () => 0, unset: "automatic",
    say: (v) => `${signed(v)} stops` },
  { name: "window_hold", label: "Window hold", min: 0, max: 8, step: 0.05, own: (f) => f.own.window_hold,
    say: stops },
  { name: "shade_lift", label: "Shade lift", min: 0, max: 6, step: 0.05, own: (f) => f.own.shade_lift,
    say: (v, f) => (f.lift_limit !== null && v > f.lift_limit ? `${v.toFixed(1)}, noisy` : stops(v)) },
  { name: "local_contrast", label: "Local contrast", min: 0, max: 1, step: 0.01, own: (f) => f.own.local_contrast,
    say: (v) => v.toFixed(2) },
  { name: "colour_temperature", label: "Colour temperature", min: 2500, max: 9500, step: 50, own: () => 5200,
    unset: "as shot", say: (v) => `${v} K`, needs: (f) => f.colour_temperature_known },
  { name: "green_magenta", label: "Green–magenta", min: -15, max: 15, step: 0.5, own: () => 0,
    say: (v) => (v === 0 ? "neutral" : v > 0 ? `${v.toFixed(1)} magenta` : `${(-v).toFixed(1)} green`),
    needs: (f, r) => f.colour_temperature_known && r.colour_temperature !== null },
  { name: "mixed_light", label: "Mixed light", min: 0, max: 1, step: 0.01, own: () => 0,
    say: (v) => (v === 0 ? "left as shot" : `${Math.round(100 * v)} % evened`), needs: (f) => f.mixed_light_known },
  { name: "plumb", label: "Plumb", min: 0, max: 1, step: 0.01, own: (f) => f.rectification.plumb,
    say: (v) => (v === 0 ? "as shot" : `${Math.round(100 * v)} %`), needs: apart },
  { name: "swing", label: "Swing", min: -15, max: 15, step: 0.1, own: () => 0,
    say: (v) => (v === 0 ? "none" : `${Math.abs(v).toFixed(1)}° ${v > 0 ? "right" : "left"}`), needs: apart },
];
export const NAMES = CONTROLS.map((c) => [c.name, c.label]).concat([["aspect", "Aspect"], ["crop", "Crop"]]);
const ASPECTS = [["", "as shot"], ["4:3", "4:3"], ["3:2", "3:2"], ["16:9", "16:9"], ["1:1", "1:1"], ["free", "free"]];

// Tells `moved(values)` while a control moves, `set(values, gesture)` when it has been, `rested()` soon after.
export class Controls {
  constructor(moved, set, rested) {
    this.moved = moved;
    this.rested = rested;
    this.set = set;
    this.gesture = "";
    this.dirty = {};
    this.saveSoon = debounce(() => this.save(), 400);
    this.rows = new Map(CONTROLS.map((c) => [c.name, this.row(c)]));
    this.aspect = el("select", { id: "c-aspect", onchange: () => this.chosen() },
      ...ASPECTS.map(([value, words]) => el("option", { value }, words)));
    this.aspectRow = el("div", { class: "control" }, el("label", { for: "c-aspect" }, "Aspect"), this.aspect);
    this.node = el("div", { class: "controls", role: "group", "aria-label": "How this picture is finished" },
      ...[...this.rows.values()].map((r) => r.node), this.aspectRow);
  }

  row(control) {
    const id = `c-${control.name}`;
    const input = el("input", { id, type: "range", min: control.min, max: control.max, step: control.step,
      oninput: () => this.slide(control), onchange: () => this.save(),
      onkeydown: (e) => (e.key === "Backspace" || e.key === "Delete") && this.leave(control) });
    const value = el("output", { for: id });
    const give = el("button", { type: "button", class: "give", title: "Back to automatic", hidden: true,
      "aria-label": `${control.label}: back to automatic`, onclick: () => this.leave(control) }, "×");
    const node = el("div", { class: "control" }, el("label", { for: id }, control.label), input, value, give);
    return { node, input, value, give };
  }

  slide(control) {
    if (!this.gesture) this.gesture = `${control.name}-${Date.now()}-${Math.random()}`;
    const value = Number(this.rows.get(control.name).input.value);
    this.dirty = { ...this.dirty, [control.name]: value };
    this.word(control, value, true);
    this.moved(this.dirty);
    this.saveSoon();
  }

  save() {
    this.saveSoon.cancel();
    if (!Object.keys(this.dirty).length) return;
    this.set(this.dirty, this.gesture);
    this.dirty = {};
    clearTimeout(this.endGesture);
    this.endGesture = setTimeout(() => {
      this.gesture = "";
      this.show(this.recipe, this.facts);
      this.rested();
    }, 600);
  }

  leave(control) {
    this.dirty = {};
    this.gesture = "";
    this.once({ [control.name]: null, ...(control.name === "colour_temperature" ? { green_magenta: null } : {}) });
  }

  chosen() {
    this.once({ aspect: this.aspect.value || null });
  }

  once(values) {
    this.moved(values);
    this.set(values, "");
  }

  word(control, value, byHand) {
    const { input, value: output, give, node } = this.rows.get(control.name);
    const words = !byHand && control.unset ? control.unset : control.say(value, this.facts);
    output.textContent = words;
    input.setAttribute("aria-valuetext", `${words}${byHand ? "" : ", automatic"}`);
    give.hidden = !byHand;
    node.classList.toggle("by-hand", byHand);
  }

  // Show a recipe and what the tool makes of what is left to it.
  show(recipe, facts) {
    this.facts = facts;
    this.recipe = recipe;
    for (const control of CONTROLS) {
      const { input, node } = this.rows.get(control.name);
      const usable = !control.needs || control.needs(facts, recipe);
      input.disabled = !usable;
      node.classList.toggle("idle", !usable);
      if (control.name in this.dirty || this.gesture.startsWith(`${control.name}-`)) continue; // under the hand
      const byHand = recipe[control.name] !== null;
      const value = byHand ? recipe[control.name] : control.own(facts);
      input.value = value;
      this.word(control, value, byHand);
    }
    this.aspect.value = recipe.aspect ?? "";
  }

  focus(number) {
    [...this.rows.values()][number]?.input.focus();
  }
}
