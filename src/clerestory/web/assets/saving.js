// Saving pictures otherwise than by default: several aspects at once, size, kind, colour. What was asked last is
// remembered in this browser.

import { button, called, el } from "./build.js";

const LAST = "clerestory-saving";
const ASPECTS = [["", "as the recipe or plan has it"], ["4:3", "4:3"], ["3:2", "3:2"], ["16:9", "16:9"], ["1:1", "1:1"], ["free", "all that straightening left"]];
const SIZES = [["", "full size"], ["3840", "3840 pixels, longest edge"], ["2560", "2560 pixels, longest edge"], ["1600", "1600 pixels, longest edge"]];
const SPACES = [["srgb", "sRGB"], ["display-p3", "Display P3"]];

const remembered = () => {
  try { return JSON.parse(localStorage.getItem(LAST) ?? "{}"); } catch { return {}; }
};

export function savingDialog(house, view) {
  const last = { aspects: [""], long_edge: "", space: "srgb", tiff: false, better: false, ...remembered() };
  const box = (value, label, checked) => el("label", { class: "check" }, el("input", { type: "checkbox", value, checked }), label);
  const chosen = (boxes) => boxes.map((b) => b.querySelector("input")).filter((i) => i.checked).map((i) => i.value);
  const select = (id, choices, value) => {
    const node = el("select", { id }, ...choices.map(([v, words]) => el("option", { value: v }, words)));
    node.value = value;
    return node;
  };
  const aspects = ASPECTS.map(([v, words]) => box(v, words, last.aspects.includes(v)));
  const size = select("saving-size", SIZES, String(last.long_edge ?? ""));
  const space = select("saving-space", SPACES, last.space);
  const [tiff, better] = [box("tiff", "also TIFF, 16 bits", last.tiff), box("better", "take more time over noise", last.better)];
  const views = house.visit.views.map((v) => box(v.name, called(v), v.name === view));
  const dialog = el("dialog", { "aria-labelledby": "saving-title" }, el("h2", { id: "saving-title" }, "Save pictures as"),
    el("fieldset", {}, el("legend", {}, "Aspects, one picture each"), ...aspects),
    el("div", { class: "fields" }, el("label", { for: "saving-size" }, "Size"), size, el("label", { for: "saving-space" }, "Colour"), space),
    el("div", { class: "row" }, tiff, better),
    el("fieldset", {}, el("legend", {}, "Views"), button("All", () => views.forEach((b) => { b.querySelector("input").checked = true; })), ...views),
    el("div", { class: "row" }, button("Save", () => {
      const order = { aspects: chosen(aspects), long_edge: size.value ? Number(size.value) : null, space: space.value,
        tiff: tiff.querySelector("input").checked, better: better.querySelector("input").checked };
      try { localStorage.setItem(LAST, JSON.stringify(order)); } catch { /* for this time only */ }
      house.ask("export", { views: chosen(views), order }).then(() => dialog.close(), () => 0);
    }), button("Leave off", () => dialog.close())));
  document.body.append(dialog);
  dialog.addEventListener("close", () => dialog.remove());
  dialog.showModal();
}
