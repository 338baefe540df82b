// What is said of the pictures: title, caption, place, people's leave and the rest, for one view, for many at once, or
// for the whole visit. What is written goes into every picture saved afterwards (IPTC and XMP).

import { button, called, el } from "./build.js";
import { say } from "./say.js";

const FIELDS = [
  ["title", say("Title"), say("What it shows, in a few words")],
  ["caption", say("Caption"), say("A sentence or two")],
  ["place", say("Place"), say("Building and town")],
  ["creator", say("Made by"), say("Your name, as it is to be given")],
  ["rights", say("Rights"), say("Who may use it, and how")],
  ["permit", say("Leave given"), say("Who gave leave to photograph, and when; who in the picture agreed to be shown")],
  ["keywords", say("Keywords"), say("Divided by commas")],
];

const asText = (value) => (Array.isArray(value) ? value.join(", ") : value ?? "");
const asValue = (name, text) => (name === "keywords" ? text.split(",").map((w) => w.trim()).filter(Boolean) : text.trim());

// `views`: names of the views spoken of; none: the visit as a whole.
export async function wordsDialog(house, views) {
  const all = await house.ask("words").catch(() => null);
  if (!all) return;
  const own = (name) => (views.length ? views.map((v) => asText(all.views[v]?.[name])) : [asText(all.visit[name])]);
  const rows = FIELDS.map(([name, label, hint]) => {
    const values = own(name);
    const same = values.every((v) => v === values[0]);
    const used = new Set([...(name === "title" ? all.planned : []), ...Object.values(all.views).map((v) => asText(v[name]))].filter(Boolean));
    const list = el("datalist", { id: `words-${name}-list` }, ...[...used].sort().map((v) => el("option", { value: v })));
    const input = name === "caption" ? el("textarea", { id: `words-${name}`, rows: 3 }) : el("input", { id: `words-${name}`, list: `words-${name}-list` });
    input.value = same ? values[0] : "";
    const ground = views.length ? asText(all.visit[name]) : "";
    input.placeholder = !same ? say("differs from view to view: left as it is") : ground ? say("as for the visit: {ground}", { ground }) : hint;
    return { name, input, was: same ? values[0] : null, node: [el("label", { for: `words-${name}` }, label), input, list] };
  });
  const title = !views.length ? say("Words of the whole visit") : views.length === 1 ? say("Words of {view}", { view: called(house.visit.views.find((v) => v.name === views[0])) }) : say("Words of {n} views", { n: views.length });
  const dialog = el("dialog", { "aria-labelledby": "words-heading", class: "words" }, el("h2", { id: "words-heading" }, title),
    el("div", { class: "fields" }, ...rows.flatMap((r) => r.node)),
    el("p", { class: "quiet" }, say("Written into each picture that is saved from now on, for archives and for search (IPTC, XMP).")),
    el("div", { class: "row" }, button(say("Keep these words"), async () => {
      const fresh = rows.filter((r) => r.input.value !== (r.was ?? ""));
      if (fresh.length) {
        const values = Object.fromEntries(fresh.map((r) => [r.name, asValue(r.name, r.input.value)]));
        const was = Object.fromEntries(fresh.filter((r) => r.was !== null).map((r) => [r.name, asValue(r.name, r.was)]));
        try {
          await house.ask("say words", { views, values, was });
        } catch { return; }
      }
      dialog.close();
    }), button(say("Leave off"), () => dialog.close())));
  document.body.append(dialog);
  dialog.addEventListener("close", () => dialog.remove());
  dialog.showModal();
  rows[0].input.focus();
}
