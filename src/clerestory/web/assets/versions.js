// Versions of a view kept by name and looked at beside one another, sets of controls for many views, and what was done.

import { button, called, el } from "./build.js";
import { NAMES } from "./controls.js";
import { released } from "./pressed.js";
import { figure, say, told } from "./say.js";

const WIDTH = 1600;
const FOR_ONE = new Set(["crop", "pick"]);
const quiet = (words) => el("span", { class: "quiet" }, words);
const short = (words) => (words.length > 4 ? say("{some} and {n} more", { some: words.slice(0, 4).map(told).join("; "), n: words.length - 4 }) : words.map(told).join("; "));

export async function versionsDialog(house, page) {
  const { view } = page;
  const body = el("div", { class: "kept-by-name" });
  const dialog = el("dialog", { "aria-labelledby": "versions-title", class: "versions" }, el("h2", { id: "versions-title" }, say("Versions of {view}", { view })), body,
    el("form", { method: "dialog", class: "row" }, el("button", {}, say("Done"))));
  const does = (what, fields) => async () => {
    const had = document.activeElement?.dataset?.of;
    await house.ask(what, { view, ...fields() }).catch(() => 0);
    await fill();
    (body.querySelector(`[data-of="${had}"]`) ?? body.querySelector("input"))?.focus();
  };
  const fill = async () => {
    const facts = await house.ask("versions", { view }).catch(() => null);
    await released();
    if (facts) body.replaceChildren(versions(facts), sets(facts), history(facts));
  };
  const versions = ({ versions: found }) => {
    const name = el("input", { id: "version-name", maxlength: 60, "data-of": "version-name", placeholder: say("a name") });
    return el("section", {}, el("ul", { class: "plain-list" }, ...found.map((v) => el("li", {}, el("b", {}, v.name), quiet(v.differs.length ? short(v.differs) : say("as it stands")),
      el("div", { class: "row" }, button(say("Beside"), () => { dialog.close(); besideDialog(house, page, `version ${v.name}`); }, { "aria-label": say("Beside the picture as it stands: {name}", { name: v.name }) }),
        button(say("Take it"), does("version take", () => ({ name: v.name })), { "aria-label": say("Take it: version {name}", { name: v.name }), "data-of": `take ${v.name}` }),
        button(say("Forget"), does("version drop", () => ({ name: v.name })), { "aria-label": say("Forget version {name}", { name: v.name }) }))))),
    el("div", { class: "row" }, el("label", { for: "version-name" }, say("Keep the view as it stands, as")), name,
      button(say("Keep"), () => name.value.trim() && does("version keep", () => ({ name: name.value }))(), { "aria-label": say("Keep this version") })));
  };
  const sets = ({ sets: found }) => {
    const own = NAMES.filter(([n]) => !FOR_ONE.has(n) && (page.recipe?.[n] ?? null) !== null);
    const boxes = (pairs, on) => pairs.map(([value, words]) => el("label", { class: "check" }, el("input", { type: "checkbox", value, checked: on }), words));
    const chosen = (nodes) => nodes.map((n) => n.querySelector("input")).filter((i) => i.checked).map((i) => i.value);
    const what = boxes(own, true);
    const to = boxes(house.visit.views.map((v) => [v.name, called(v)]), false);
    const name = el("input", { id: "set-of-controls", maxlength: 60, "data-of": "set-of-controls", placeholder: say("a name") });
    const label = (n) => NAMES.find(([k]) => k === n)?.[1] ?? told(n.replaceAll("_", " "));
    return el("section", {}, el("h3", {}, say("Sets of controls")),
      el("ul", { class: "plain-list" }, ...found.map((s) => el("li", {}, el("b", {}, s.name), quiet(Object.entries(s.values).map(([n, v]) => `${label(n)} ${figure(v)}`).join("; ")),
        el("div", { class: "row" }, button(say("Put on the chosen views"), does("set put", () => ({ name: s.name, views: chosen(to) })), { "aria-label": say("Put on the chosen views: set {name}", { name: s.name }), "data-of": `put ${s.name}` }),
          button(say("Forget"), does("version drop", () => ({ view: "", name: s.name })), { "aria-label": say("Forget set {name}", { name: s.name }) }))))),
      found.length ? el("fieldset", {}, el("legend", {}, say("Views")), button(say("All"), () => to.forEach((b) => { b.querySelector("input").checked = true; })), ...to) : null,
      own.length ? el("fieldset", {}, el("legend", {}, say("Keep these controls of this view as a set")), ...what) : quiet(say("Set a control by hand, and it can be kept in a set.")),
      own.length ? el("div", { class: "row" }, el("label", { for: "set-of-controls" }, say("as")), name,
        button(say("Keep"), () => name.value.trim() && does("set keep", () => ({ name: name.value, what: chosen(what) }))(), { "aria-label": say("Keep this set") })) : null);
  };
  const history = ({ history: steps }) => el("section", {}, el("h3", {}, say("What was done")),
    steps.length ? el("ol", { class: "plain-list history", reversed: true }, ...steps.map((s, i) => el("li", {}, el("span", {}, short(s.what)), s.said ? quiet(told(s.said)) : null,
      i ? button(say("Back to this"), does("step back to", () => ({ number: s.number })), { "aria-label": say("Back to this: {what}", { what: short(s.what) }), "data-of": `step ${s.number}` }) : quiet(say("as it stands")))))
      : quiet(say("Nothing yet; all is left to the tool.")));
  document.body.append(dialog);
  dialog.addEventListener("close", () => dialog.remove());
  await fill();
  dialog.showModal();
}

// Two pictures of the view side by side: as it stands, its versions, before, its frames.
export async function besideDialog(house, page, second = "alike") {
  const { view } = page;
  const facts = await house.ask("versions", { view }).catch(() => null);
  if (!facts) return;
  const shown = house.visit.views.find((v) => v.name === view);
  const choices = [["now", say("as it stands")], ["alike", say("before, straightened alike")], ["held", say("before, as held")],
    ...facts.versions.map((v) => [`version ${v.name}`, say("version {name}", { name: v.name })]), ...shown.frames.map((f) => [`frame ${f.name ?? f}`, say("frame {name} at full size", { name: f.name ?? f })])];
  const bytes = async (what) => {
    if (what === "now") return house.ask("still", { view, values: page.changedValues(), width: WIDTH });
    if (what === "alike") return house.ask("before", { view, values: page.changedValues(), width: WIDTH });
    const values = await house.ask("version", { view, name: what.slice(8) });
    return house.ask("still", { view, values, width: WIDTH });
  };
  const side = (first, label) => {
    const image = el("img", { alt: "", draggable: "false" });
    const select = el("select", { "aria-label": label }, ...choices.map(([value, words]) => el("option", { value, selected: value === first }, words)));
    const draw = async () => {
      const what = select.value;
      image.alt = choices.find(([value]) => value === what)[1];
      if (what === "held" || what.startsWith("frame ")) {
        image.src = what === "held" ? `/as-shot/${encodeURIComponent(view)}` : `/frame/${encodeURIComponent(what.slice(6))}`;
        return;
      }
      const data = await bytes(what).catch(() => null);
      if (!data || select.value !== what) return;
      image.onload = () => URL.revokeObjectURL(image.src);
      image.src = URL.createObjectURL(new Blob([data], { type: "image/jpeg" }));
    };
    select.addEventListener("change", draw);
    return { node: el("div", { class: "side" }, el("div", { class: "pane fitted" }, image), el("p", {}, select)), draw };
  };
  const sides = [side(second, say("Left picture")), side("now", say("Right picture"))];
  const dialog = el("dialog", { class: "wide two", "aria-label": say("Pictures of {view} side by side", { view }) }, sides.map((s) => s.node), el("form", { method: "dialog", class: "row" }, el("button", {}, say("Back"))));
  document.body.append(dialog);
  dialog.addEventListener("close", () => dialog.remove());
  dialog.showModal();
  for (const one of sides) await one.draw();
}
