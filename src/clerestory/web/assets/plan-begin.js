// A plan begun from a church in ten numbers, as a guidebook has them.

import { button, el } from "./build.js";
import { draftOf, dropDraft, keepDraft } from "./drafts.js";
import { outlinePicker } from "./plan-outline.js";
import { CHOICES, CHURCH, churchValue } from "./plan-numbers.js";
import { say, told } from "./say.js";

const HINTS = { length: say("230 ft, or 70 m"), width: say("42 ft 6 in"), height: "21 m", bays: "6", transept: say("yes, no, or a length"), quire: say("yes, no, or a length"), sill: say("43 ft"), head: "18 m" };
const DRAFT = "plan-begin"; // the name under which what is typed is kept
const day = () => {
  const now = new Date();
  return `${now.getFullYear()}-${String(now.getMonth() + 1).padStart(2, "0")}-${String(now.getDate()).padStart(2, "0")}`;
};

// `example()` begins from the worked example instead, and tells whether that went well.
export function beginForm(house, example) {
  const field = (id, label, attributes = {}) => [el("label", { for: id }, label), el("input", { id, type: "text", ...attributes })];
  const church = CHURCH.flatMap(([name, label, form]) => {
    const id = `b-${name}`;
    return [el("label", { for: id }, label), Array.isArray(form)
      ? el("select", { id }, ...form.map((o) => el("option", { value: o }, (CHOICES[o] ?? o) || say("as usual"))))
      : el("input", { id, type: "text", placeholder: HINTS[name] ?? "", required: ["length", "width", "height"].includes(name) })];
  });
  const said = el("p", { class: "trouble", role: "alert" });
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone || "Europe/London";
  const node = el("form", { class: "begin", onsubmit: (e) => e.preventDefault(), oninput: () => keep() },
    el("h2", {}, say("A church in ten numbers")),
    el("p", { class: "quiet" }, say("As a guidebook or your own eye gives them, in metres or feet. Rooms, a window in every bay, points to stand at and the usual views follow; each is said to be assumed, and the times say how far they may be off. Of the church, only type, length, width, height and the axis are needed.")),
    el("div", { class: "fields" }, ...church, ...field("b-axis", say("Axis, ° from true north to the altar"), { placeholder: "81.5", required: true, inputmode: "decimal" })),
    outlinePicker((west, east) => picked(west, east)),
    el("h2", {}, say("Where and when")),
    el("div", { class: "fields" }, ...field("b-place", say("Building"), { required: true }), ...field("b-town", say("Town")), ...field("b-lat", say("Latitude, °, south negative"), { required: true, placeholder: "54.312" }),
      ...field("b-lon", say("Longitude, °, west negative"), { required: true, placeholder: "-1.154" }), ...field("b-zone", say("Time zone"), { value: zone, required: true }),
      ...field("b-date", say("Day"), { type: "date", value: day(), required: true }), ...field("b-arrive", say("Arrive"), { type: "time", value: "09:30", required: true }), ...field("b-leave", say("Leave"), { type: "time", value: "16:30", required: true })),
    said,
    el("div", { class: "row" }, button(say("Begin from these numbers"), () => once(begin)), button(say("Begin from the worked example"), () => once(example))));

  // Pressed again while the plan is being worked out, it would only be refused: there is a plan by then.
  async function once(work) {
    const buttons = [...node.querySelectorAll(":scope > .row button")];
    buttons.forEach((b) => { b.disabled = true; });
    if (await work()) dropDraft(house.visit.key, DRAFT);
    else buttons.forEach((b) => { b.disabled = false; });
  }

  let ends = null;
  function picked(west, east) {
    ends = { west_end_deg: west, east_end_deg: east };
    const axis = node.querySelector("#b-axis");
    const turn = Math.atan2((east[1] - west[1]) * Math.cos(west[0] * Math.PI / 180), east[0] - west[0]) * 180 / Math.PI;
    axis.value = `${((turn + 360) % 360).toFixed(1)}`;
    axis.oninput = () => { ends = null; };
    for (const [id, at] of [["b-lat", 0], ["b-lon", 1]]) node.querySelector(`#${id}`).value = ((west[at] + east[at]) / 2).toFixed(5);
    keep();
  }

  // What is typed is there again after another page, or another language, has been looked at.
  const fields = () => [...node.querySelectorAll("[id^=b-]")];
  function keep() {
    keepDraft(house.visit.key, DRAFT, { values: fields().map((f) => [f.id, f.value]), ends });
  }

  async function takeUp() {
    if (!house.visit.key) await house.refresh();
    const draft = draftOf(house.visit.key, DRAFT);
    if (!draft) return;
    if (draft.ends) picked(draft.ends.west_end_deg, draft.ends.east_end_deg);
    const kept = new Map(draft.values);
    fields().forEach((f) => { if (kept.has(f.id)) f.value = kept.get(f.id); });
    keep();
  }

  const value = (id) => node.querySelector(`#${id}`).value.trim();
  const number = (id) => {
    const v = Number(value(id).replace(",", "."));
    return value(id) === "" || Number.isNaN(v) ? null : v;
  };

  async function begin() {
    if (!node.reportValidity()) return false;
    const numbers = {
      visit: { title: value("b-town") ? `${value("b-place")}, ${value("b-town")}` : value("b-place"), date: value("b-date"), arrive: `${value("b-arrive")}:00`.slice(0, 8), leave: `${value("b-leave")}:00`.slice(0, 8) },
      place: { name: value("b-place"), town: value("b-town"), latitude_deg: number("b-lat"), longitude_deg: number("b-lon"), time_zone: value("b-zone"), ...(ends ?? {}) },
      church: { ...Object.fromEntries(CHURCH.map(([name, , form]) => [name, churchValue(form, value(`b-${name}`))])), axis_deg: ends ? null : number("b-axis") },
    };
    said.textContent = "";
    try {
      await house.wire.ask("plan church", { numbers });
      return true;
    } catch (problem) {
      const words = problem.mistakes?.map((m) => `${m.place ? `${m.place.replace("church, ", "")} ` : ""}${told(m.what)}`) ?? [told(problem.message)];
      said.textContent = words.join("\n");
      return false;
    }
  }
  takeUp();
  return node;
}
