// The numbers of what is chosen on the map, to be read and set; and the church in numbers, where the plan has one.

import { button, el } from "./build.js";
import { decimal, pointed, say, told } from "./say.js";

const ASPECTS = ["free", "4:3", "3:2", "16:9", "1:1", "3:4", "2:3", "9:16"];
const WALLS = ["east", "west", "north", "south"];
const GLASS = ["hold", "bracket", "let go"];
// The words of choices, as they are shown.
export const CHOICES = {
  east: say("east"), west: say("west"), north: say("north"), south: say("south"), vault: say("vault"), free: say("free"), hold: say("hold"), bracket: say("bracket"), "let go": say("let go"),
  any: say("any"), sun: say("sun"), "no sun": say("no sun"), hall: say("hall"), "aisled basilica": say("aisled basilica"), cruciform: say("cruciform"), rotunda: say("rotunda"), chapel: say("chapel"),
};
const THINGS = { station: say("Point"), window: say("Window"), view: say("View"), room: say("[of the building] Room") };

// field, label, form; a path such as "at_m.0" is one of several numbers.
const FIELDS = {
  station: [["name", say("Name"), "text"], ["at_m.0", say("Right of the axis, m")], ["at_m.1", say("Along the axis, m")], ["floor_m", say("Stands above the floor, m")],
    ["eye_m", say("Lens above that, m")], ["note", say("Note"), "text"]],
  window: [["name", say("Name"), "text"], ["along_m", say("Along the wall, m")], ["width_m", say("Width, m")], ["sill_m", say("Sill, m")], ["head_m", say("Head, m")],
    ["wall_thickness_m", say("Wall's thickness, m")]],
  room: [["name", say("Name"), "text"], ["length_m", say("Length, m")], ["width_m", say("Width, m")], ["height_m", say("Height, m")],
    ["west_end_m.0", say("West wall, right of the axis, m")], ["west_end_m.1", say("West wall, along the axis, m")]],
  view: [["name", say("Name"), "text"], ["note", say("Note"), "text"], ["on", say("Lies on"), [...WALLS, "vault", "free"]], ["centre_m.0", say("Middle, right, m")], ["centre_m.1", say("Middle, along, m")], ["centre_m.2", say("Middle, up, m")],
    ["width_m", say("Width, m")], ["height_m", say("Height, m")], ["aspect", say("Aspect"), ASPECTS], ["square_on", say("Parallel to the wall"), "tick"], ["floor", say("With the floor"), "tick"],
    ["first", say("First of all"), "tick"], ["minutes", say("Minutes")], ["light", say("Light"), ["any", "sun", "no sun"]], ["windows", say("Through"), "windows"], ["glass", say("Glass"), GLASS], ["stations", say("From"), "stations"]],
};
const OFF = { along_m: "along_m", width_m: "width_m", sill_m: "sill_m", head_m: "head_m", wall_thickness_m: "wall_thickness_m", length_m: "length_m", height_m: "height_m" };

export const CHURCH = [["type", say("Type"), ["hall", "aisled basilica", "cruciform", "rotunda", "chapel"]], ["length", say("Length inside"), "measure"], ["width", say("Width of the nave"), "measure"], ["height", say("Height of the nave"), "measure"],
  ["bays", say("Bays"), "count"], ["aisles", say("Aisles"), ["", "0", "1", "2", "north", "south"]], ["transept", say("Transept, end to end"), "part"], ["quire", say("Quire, length"), "part"],
  ["sill", say("Sill of the nave's windows (the clerestory's, where there are aisles)"), "measure"], ["head", say("Their head"), "measure"]];

const at = (row, path) => path.split(".").reduce((v, key) => v?.[key], row);

// What stands in a field of the church's numbers as the text has it: a number of metres, "83 ft", true, 2.
export function churchValue(form, text) {
  const words = pointed(text.trim());
  if (!words) return null;
  if (form === "count" || /^[012]$/.test(words) && Array.isArray(form)) return Number(words);
  const answer = { yes: true, no: false, [say("yes")]: true, [say("no")]: false }[words.toLowerCase()];
  if (form === "part" && answer !== undefined) return answer;
  return /^\d+([.]\d+)?$/.test(words) ? Number(words) : words;
}

export class PlanNumbers {
  constructor(page) {
    this.page = page;
    this.node = el("section", { class: "numbers", "aria-label": say("Numbers of what is chosen") });
  }

  // Anew, unless a number is being typed: then only the others follow.
  draw() {
    const { chosen } = this.page;
    const key = chosen ? `${chosen.table} ${chosen.name}` : "";
    if (key === this.key && this.node.contains(document.activeElement)) return chosen ? this.follow() : undefined;
    if (key === this.key && this.page.clicking) return undefined; // what is to be clicked is said here
    // What is typed is written to the thing it was typed for, whichever is chosen next.
    if (this.node.contains(document.activeElement)) document.activeElement.blur();
    this.key = key;
    const row = chosen && this.page.row(chosen.table, chosen.name);
    if (!row) return this.node.replaceChildren(...this.whole());
    const fields = FIELDS[chosen.table].filter(([path]) => this.has(chosen.table, row, path));
    const assumed = row.assumed ? [el("p", { class: "guess" }, say("Assumed: {assumed}. Setting a number makes it yours.", { assumed: told(row.assumed) }))] : [];
    this.node.replaceChildren(el("h2", {}, `${THINGS[chosen.table]}: ${row.name}`), ...assumed,
      el("div", { class: "fields" }, ...fields.flatMap(([path, label, form]) => this.field(chosen.table, row, path, label, form))),
      el("div", { class: "row" }, button(say("Take away"), () => this.page.remove(chosen)), button(say("Whole building"), () => this.page.choose(null))));
  }

  has(table, row, path) {
    if (table === "window" && path === "along_m") return !row.at_m;
    if (table === "view" && path === "windows") return row.light !== "any";
    return true;
  }

  field(table, row, path, label, form) {
    const id = `n-${path.replace(".", "-")}`;
    const value = at(row, path);
    const off = row.off?.[OFF[path]];
    const change = (v) => this.set(table, row.name, path, v);
    let input;
    if (Array.isArray(form)) {
      input = el("select", { id, onchange: (e) => change(e.target.value) }, ...form.map((o) => el("option", { value: o, selected: o === value }, CHOICES[o] ?? o)));
    } else if (form === "tick") {
      input = el("input", { id, type: "checkbox", checked: !!value, onchange: (e) => change(e.target.checked) });
    } else if (form === "stations" || form === "windows") {
      const names = this.page.rows[form === "stations" ? "station" : "window"].map((s) => s.name);
      input = el("select", { id, multiple: true, size: Math.min(5, names.length), onchange: (e) => change([...e.target.selectedOptions].map((o) => o.value)) },
        ...names.map((n) => el("option", { value: n, selected: value.includes(n) }, n)));
    } else if (form === "text") {
      input = el("input", { id, type: "text", value: value ?? "", onchange: (e) => change(e.target.value) });
    } else {
      input = el("input", { id, type: "number", step: "any", value: value ?? "", "data-path": path, onchange: (e) => e.target.value !== "" && change(Number(e.target.value)) });
    }
    return [el("label", { for: id }, label, off ? el("span", { class: "guess" }, ` ±${decimal(off, 1)}`) : ""), input];
  }

  follow() {
    const row = this.page.row(this.page.chosen.table, this.page.chosen.name);
    this.node.querySelectorAll("input[data-path]").forEach((input) => {
      if (input !== document.activeElement) input.value = at(row, input.dataset.path) ?? "";
    });
  }

  set(table, name, path, value) {
    const row = this.page.row(table, name);
    if (!row) return; // taken away meanwhile
    const [field, index] = path.split(".");
    let next = value;
    if (index !== undefined) {
      next = [...row[field]];
      next[Number(index)] = value;
    }
    const set = { [field]: next };
    if (table === "window" && field === "along_m") set.wall = row.wall;
    if (table === "view" && field === "light" && value !== "any" && !row.windows.length) set.windows = [this.page.rows.window[0]?.name].filter(Boolean);
    this.page.write([{ table, name, set }]).then(() => field === "name" && this.page.isChosen(table, name) && this.page.choose(table, value), () => this.draw());
  }

  // ---- nothing chosen: the building as a whole

  whole() {
    const { page } = this;
    const add = el("div", { class: "row" }, el("span", { class: "quiet" }, say("Add")), ...["station", "window", "view", "room"].map((table) =>
      button(THINGS[table], () => page.add(table))));
    const axis = el("input", { id: "n-axis", type: "number", step: "any", value: Math.round(page.axis * 100) / 100, onchange: (e) => e.target.value !== "" && page.write([{ table: "place", name: "", set: { axis_deg: Number(e.target.value) } }]).catch(() => this.draw()) });
    return [el("h2", {}, say("The building")), el("p", { class: "quiet" }, say("Choose a point, window, view or room on the map: then drag it, or set its numbers here.")),
      page.facts.assumed ? el("p", { class: "guess" }, told(page.facts.assumed)) : "",
      el("div", { class: "fields" }, el("label", { for: "n-axis" }, say("Axis, ° from true north to the altar")), axis, ...this.church()), add, page.outline()];
  }

  church() {
    const church = this.page.facts.church;
    if (!church) return [];
    return CHURCH.flatMap(([name, label, form]) => {
      const id = `n-church-${name}`;
      const value = church[name];
      const shown = value === true ? say("yes") : value === false ? say("no") : value ?? "";
      let known = value ?? null; // by this field, which stays while it is typed in, through a change and the next
      const write = async () => {
        const was = known;
        known = churchValue(form, input.value);
        await this.page.write([{ table: "church", name: "", set: { [name]: known }, was: { [name]: was } }]).catch(() => {
          known = was;
          if (input !== document.activeElement) input.value = String(shown);
          this.draw();
        });
      };
      const input = Array.isArray(form) ? el("select", { id, onchange: write }, ...form.map((o) => el("option", { value: o, selected: o === String(shown) }, (CHOICES[o] ?? o) || say("as usual"))))
        : el("input", { id, type: "text", value: String(shown), onchange: write });
      return [el("label", { for: id }, label), input];
    });
  }
}
