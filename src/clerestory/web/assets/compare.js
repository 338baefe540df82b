// Two frames at 100 %, moving together, with what they have in common; of one view or of two.

import { el, percent } from "./build.js";
import { decimal, say, told } from "./say.js";

// `view`: the view both are of, where they are of one: then either can be made its pick.
export function compareFrames(house, pair, view) {
  const panes = pair.map((frame) => side(house, view, frame));
  const common = el("p", { class: "quiet common", role: "status" }, say("Measuring what they have in common"));
  const picks = view ? pair.filter((f) => f !== view.pick).map((f) => el("button", { value: f }, say("Pick {frame}", { frame: f }))) : [];
  const dialog = el("dialog", { class: "wide two", "aria-label": say("Two frames at 100 %, moving together") }, ...panes,
    el("form", { method: "dialog", class: "row" }, el("button", { value: "" }, say("Back")), ...picks, common));
  const scrollers = panes.map((p) => p.querySelector(".pane"));
  scrollers.forEach((pane, i) => roam(pane, scrollers.filter((_, k) => k !== i)));
  document.body.append(dialog);
  dialog.addEventListener("close", () => {
    if (dialog.returnValue && view) house.ask("pick", { view: view.name, frame: dialog.returnValue }).catch(() => 0);
    dialog.remove();
  });
  dialog.showModal();
  scrollers[0].focus();
  house.wire.ask("compared", { first: pair[0], second: pair[1] }).then((words) => { common.textContent = told(words); }, () => { common.textContent = ""; });
}

function side(house, view, frame) {
  const facts = house.visit.frames[frame];
  const words = `${frame}${frame === view?.pick ? say(", the pick") : ""}: ${say("{settings}; sharpness {sharpness}, {clipped} clipped", { settings: told(facts.settings), sharpness: decimal(facts.sharpness ?? NaN, 2), clipped: percent(facts.clipped ?? 0, 2) })}`;
  const image = el("img", { alt: words, draggable: "false" });
  const waiting = el("p", { class: "waiting" }, say("Reading {frame}", { frame }));
  const pane = el("div", { class: "pane", tabindex: 0, "aria-label": say("{frame}; drag or use the arrow keys", { frame }) }, image, waiting);
  image.onload = () => {
    waiting.remove();
    pane.scrollTo((image.naturalWidth - pane.clientWidth) / 2, (image.naturalHeight - pane.clientHeight) / 2);
  };
  image.onerror = () => { waiting.textContent = say("{frame} could not be read", { frame }); };
  image.src = `/frame/${encodeURIComponent(frame)}`;
  return el("div", { class: "side" }, pane, el("p", { title: words }, words));
}

// A pane whose content is moved by the hand or the arrows; `also` panes move in step.
function roam(pane, also = []) {
  let from = null;
  const all = () => [pane, ...also];
  pane.addEventListener("pointerdown", (e) => {
    from = [e.clientX + pane.scrollLeft, e.clientY + pane.scrollTop];
    pane.setPointerCapture(e.pointerId);
  });
  pane.addEventListener("pointermove", (e) => {
    if (from) all().forEach((p) => p.scrollTo(from[0] - e.clientX, from[1] - e.clientY));
  });
  pane.addEventListener("pointerup", () => { from = null; });
  pane.addEventListener("keydown", (e) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (!way) return;
    e.preventDefault();
    const step = e.shiftKey ? 400 : 60;
    all().forEach((p) => p.scrollBy(way[0] * step, way[1] * step));
  });
}
