// The line of controls under a picture: stops, kelvin and degrees, by the hand on a slider or typed as a number, and
// a way to give each back to the tool.

import { debounce, el, gesture } from "./build.js";
import { decimal, say } from "./say.js";

export const signed = (v, figures = 1) => `${v > 0 ? "+" : v < 0 ? "−" : ""}${decimal(Math.abs(v), figures)}`;
const apart = (f) => !f.joined;

// own: what the tool does when the control is left to it; unit: a word after the number; times and figures: how the
// number is shown; only: for which views it is there at all; tells: what the control is for.
const CONTROLS = [
  { name: "exposure", label: say("Exposure"), min: -3, max: 3, step: 0.05, own: () => 0, figures: 2,
    unit: () => say("stops"), tells: say("Lighter or darker as a whole, over what the tool chose for the stone.") },
  { name: "window_hold", label: say("Window hold"), min: 0, max: 8, step: 0.05, own: (f) => f.own.window_hold, figures: 2,
    unit: () => say("stops"), tells: say("How far above white the glass may lie and still keep its colours and leads.") },
  { name: "shade_lift", label: say("Shade lift"), min: 0, max: 6, step: 0.05, own: (f) => f.own.shade_lift, figures: 2,
    unit: (v, f) => (f.lift_limit !== null && v > f.lift_limit ? say("noisy") : say("stops")), tells: say("How far the deepest shade is opened; past the noise's limit it says so.") },
  { name: "local_contrast", label: say("Local contrast"), min: 0, max: 1, step: 0.01, own: (f) => f.own.local_contrast, figures: 2,
    unit: () => "", tells: say("Texture of stone and wood against its surroundings.") },
  { name: "colour_temperature", label: say("Colour temperature"), min: 2500, max: 9500, step: 50, own: (f) => f.own_white?.[0] ?? 5200, figures: 0,
    unit: () => "K", needs: (f) => f.colour_temperature_known, tells: say("Of the light that white is to be: lower for lamps, higher for blue shade.") },
  { name: "green_magenta", label: say("Green–magenta"), min: -15, max: 15, step: 0.5, own: (f) => f.own_white?.[1] ?? 0, figures: 1,
    unit: (v) => (v === 0 ? "" : v > 0 ? say("magenta") : say("green")),
    needs: (f, r) => f.colour_temperature_known && r.colour_temperature !== null, tells: say("What colour temperature cannot put right; set the temperature first.") },
  { name: "mixed_light", label: say("Mixed light"), min: 0, max: 1, step: 0.01, own: () => 0, times: 100, figures: 0,
    unit: () => "%", needs: (f) => f.mixed_light_known, tells: say("Takes the colour of lamps out where they fall beside daylight.") },
  { name: "veiling_glare", label: say("Veiling glare"), min: 0, max: 10, step: 0.1, own: (f) => f.own_glare ?? 0, figures: 1,
    unit: () => "%", needs: (f) => f.own_glare !== null, tells: say("The haze that the lens lays round bright windows, as a share of all light; where the picture tells of it, it is taken out.") },
  { name: "toning", label: say("Toning"), min: -1, max: 1, step: 0.01, own: () => 0, times: 100, figures: 0,
    unit: (v) => (v === 0 ? "" : v > 0 ? say("% warm") : say("% cold")), needs: (f) => f.monochrome, only: (f) => f.monochrome,
    tells: say("Of a monochrome picture, as a print is toned: warm or cold in the greys, black and white left alone.") },
  { name: "plumb", label: say("Plumb"), min: 0, max: 1, step: 0.01, own: (f) => f.rectification.plumb, times: 100, figures: 0,
    unit: () => "%", needs: apart, tells: say("How far converging verticals are straightened.") },
  { name: "swing", label: say("Swing"), min: -15, max: 15, step: 0.1, own: () => 0, figures: 1,
    unit: (v) => (v === 0 ? "°" : v > 0 ? say("° right") : say("° left")), needs: apart, tells: say("Turns the view about the vertical, so that horizontals across it run level.") },
  { name: "crop_size", label: say("Crop"), min: 0.1, max: 1, step: 0.01, own: () => 1, times: 100, figures: 0,
    unit: () => "%", tells: say("Tighter than all that straightening leaves; its place is pulled about on the small outline.") },
];
export const NAMES = CONTROLS.map((c) => [c.name, c.label]).concat([["aspect", say("Aspect")], ["crop", say("Place of the crop")]]);
const ASPECTS = [["", say("as shot")], ["4:3", "4:3"], ["3:2", "3:2"], ["16:9", "16:9"], ["1:1", "1:1"], ["free", say("free")]];
const FINE = 5; // a finer step is so much smaller
const COARSE = 10; // and a coarse one so much larger

// Tells `moved(values)` while a control moves, `set(values, gesture)` when it has been, `rested()` soon after.
export class Controls {
  constructor(moved, set, rested) {
    this.moved = moved;
    this.rested = rested;
    this.set = set;
    this.gesture = "";
    this.dirty = {};
    this.saveSoon = debounce(() => this.save(), 400);
    this.tells = el("p", { class: "quiet tells", id: "c-tells", "aria-live": "polite" });
    this.rows = new Map(CONTROLS.map((c) => [c.name, this.row(c)]));
    this.aspect = el("select", { id: "c-aspect", onchange: () => this.chosen() },
      ...ASPECTS.map(([value, words]) => el("option", { value }, words)));
    this.aspectRow = el("div", { class: "control" }, el("label", { for: "c-aspect" }, say("Aspect")), this.aspect);
    this.node = el("div", { class: "controls", role: "group", "aria-label": say("How this picture is finished") },
      ...[...this.rows.values()].map((r) => r.node), this.aspectRow, this.tells);
  }

  row(control) {
    const id = `c-${control.name}`;
    const times = control.times ?? 1;
    const input = el("input", { id, type: "range", min: control.min, max: control.max, step: control.step / FINE,
      "aria-describedby": "c-tells", oninput: () => this.slide(control), onchange: () => this.save(), onkeydown: (e) => this.key(control, e) });
    const number = el("input", { type: "number", class: "number", min: control.min * times, max: control.max * times, step: "any",
      inputmode: "decimal", "aria-label": say("{label}, as a number", { label: control.label }), oninput: () => { number.dataset.typing = "1"; }, onblur: () => { delete number.dataset.typing; },
      onchange: () => this.typed(control), onkeydown: (e) => this.key(control, e) });
    const value = el("output", { for: id });
    const give = el("button", { type: "button", class: "give", title: say("Back to automatic"), hidden: true,
      "aria-label": say("{label}: back to automatic", { label: control.label }), onclick: () => this.leave(control) }, "×");
    const node = el("div", { class: "control", hidden: Boolean(control.only), onfocusin: () => { this.tells.textContent = control.tells; },
      onfocusout: () => { this.tells.textContent = ""; } },
    el("label", { for: id, title: control.tells }, control.label), number, input, value, give);
    return { node, input, number, value, give };
  }

  // Arrows take a step, with Shift a fine one; PageUp and PageDown coarse ones.
  key(control, event) {
    const { input, number } = this.rows.get(control.name);
    const typing = event.target === number;
    if (!typing && (event.key === "Backspace" || event.key === "Delete")) return this.leave(control);
    if (typing && event.key === "Escape") return this.show(this.recipe, this.facts);
    const way = { ArrowUp: 1, ArrowDown: -1, ...(typing ? {} : { ArrowRight: 1, ArrowLeft: -1, PageUp: COARSE, PageDown: -COARSE }) }[event.key];
    if (!way || event.ctrlKey || event.metaKey || event.altKey) return undefined;
    event.preventDefault();
    event.stopPropagation();
    const step = event.shiftKey ? control.step / FINE : control.step;
    input.value = this.within(control, Number(input.value) + way * step);
    return this.slide(control);
  }

  within(control, value) {
    return Number(Math.min(control.max, Math.max(control.min, value)).toFixed(4));
  }

  slide(control) {
    if (!this.gesture) this.gesture = gesture(control.name);
    const value = Number(this.rows.get(control.name).input.value);
    this.dirty = { ...this.dirty, [control.name]: value };
    this.word(control, value, true);
    this.moved(this.dirty);
    this.saveSoon();
  }

  typed(control) {
    const { number, input } = this.rows.get(control.name);
    delete number.dataset.typing;
    const value = number.valueAsNumber / (control.times ?? 1);
    if (Number.isNaN(value)) return number.value === "" && !number.validity.badInput ? this.leave(control) : this.show(this.recipe, this.facts);
    input.value = this.within(control, value);
    this.word(control, this.within(control, value), true);
    return this.once({ [control.name]: this.within(control, value) });
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
    const { input, number, value: output, give, node } = this.rows.get(control.name);
    const shown = (value * (control.times ?? 1)).toFixed(control.figures);
    const unit = control.unit(value, this.facts);
    number.value = shown;
    output.textContent = unit;
    input.setAttribute("aria-valuetext", `${decimal(value * (control.times ?? 1), control.figures)} ${unit}${byHand ? "" : say(", automatic")}`);
    number.title = byHand ? "" : say("Automatic: what the tool chose");
    give.hidden = !byHand;
    node.classList.toggle("by-hand", byHand);
  }

  // Show a recipe and what the tool makes of what is left to it.
  show(recipe, facts) {
    this.facts = facts;
    this.recipe = recipe;
    for (const control of CONTROLS) {
      const { input, number, node } = this.rows.get(control.name);
      const usable = !control.needs || control.needs(facts, recipe);
      input.disabled = number.disabled = !usable;
      node.classList.toggle("idle", !usable);
      node.hidden = Boolean(control.only) && !control.only(facts);
      if (control.name in this.dirty || this.gesture.startsWith(`${control.name}-`)) continue; // under the hand
      if (document.activeElement === number && number.dataset.typing) continue;
      const byHand = (recipe[control.name] ?? null) !== null;
      const value = byHand ? recipe[control.name] : control.own(facts);
      input.value = value;
      this.word(control, value, byHand);
    }
    this.aspect.options[0].textContent = facts.planned_aspect ? say("as planned ({aspect})", { aspect: facts.planned_aspect }) : say("as shot");
    this.aspect.value = recipe.aspect ?? "";
  }

  focus(number) {
    [...this.rows.values()][number]?.input.focus();
  }
}
