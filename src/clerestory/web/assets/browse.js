// A folder of this computer chosen: names of folders and counts of frames, nothing of what is in a file.

import { button, el } from "./build.js";
import { few, LOCALE, say, told } from "./say.js";

export const KINDS = { card: say("card"), removable: say("can be taken out"), drive: say("drive"), home: "", pictures: "" };

export function heldIn({ raw, rendered, visit }) {
  const words = [];
  if (visit) words.push(say("a visit"));
  if (raw) words.push(few("{count} raw frame", "{count} raw frames", raw, { count: raw.toLocaleString(LOCALE) }));
  if (rendered) words.push(few("{count} finished picture", "{count} finished pictures", rendered, { count: rendered.toLocaleString(LOCALE) }));
  return words.join(", ");
}

// The path chosen, or null. `does`: what the button that chooses says; `from`: where to begin.
export function browse(porch, { title, does, from = "" }) {
  const places = el("div", { class: "row places", role: "group", "aria-label": say("Places") });
  const said = el("p", { class: "quiet", role: "status" });
  const path = el("input", { "aria-label": say("Path of the folder"), spellcheck: "false", autocomplete: "off" });
  const list = el("ul", { class: "folders" });
  const take = el("button", { value: "take" }, does);
  const up = button(say("Up"), () => go(now.up));
  const box = el("dialog", { class: "browse", "aria-label": title }, el("h2", {}, title), places,
    el("form", { class: "row path", onsubmit: (e) => { e.preventDefault(); go(path.value); } }, up, path, el("button", {}, say("Go"))),
    list, said, el("form", { method: "dialog", class: "row" }, take, el("button", { value: "" }, say("Leave it"))));
  let now = { path: "", up: "" };
  let offered = "";
  let asked = 0;

  // The folder asked for last is the one shown, in whatever order answers come; until then nothing can be pressed in
  // the list, which is about to be another.
  const go = async (to) => {
    const mine = ++asked;
    list.inert = true;
    const found = await porch.wire.ask("folders", { path: to }).catch((problem) => ({ problem }));
    if (mine !== asked) return true;
    list.inert = false;
    if (found.problem) {
      said.textContent = told(found.problem.message);
      take.disabled = path.value !== now.path || !now.path;
      return false;
    }
    now = found;
    path.value = found.path;
    up.disabled = !found.up;
    take.disabled = false;
    list.replaceChildren(...found.folders.map((f) => el("li", {}, el("button", { type: "button", onclick: () => go(f.path) },
      el("span", {}, f.name), el("span", { class: "quiet" }, heldIn(f))))));
    if (found.more) list.append(el("li", { class: "quiet" }, say("and {more} more: write the path above", { more: found.more })));
    if (!found.folders.length) list.append(el("li", { class: "quiet" }, say("No folder in it.")));
    list.scrollTop = 0;
    said.textContent = `${found.name}: ${heldIn(found) || say("no frame in it")}`;
    return true;
  };

  const offer = async () => {
    const found = await porch.wire.ask("places").catch(() => []);
    const key = JSON.stringify(found);
    if (key === offered) return; // a button that is focused stays so
    offered = key;
    places.replaceChildren(...found.map((p) => button(KINDS[p.kind] ? `${p.name} (${KINDS[p.kind]})` : p.name, () => go(p.path), { title: p.path })));
  };

  document.body.append(box);
  box.showModal();
  offer();
  const watch = setInterval(offer, 2000); // a card may be put in meanwhile
  go(from).then((well) => well || go(""));
  return new Promise((resolve) => {
    box.addEventListener("close", () => {
      clearInterval(watch);
      box.remove();
      resolve(box.returnValue === "take" ? now.path : null);
    });
  });
}
