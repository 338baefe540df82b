// A view as a paper will show it, by the profile that came with the paper; and what of it the paper cannot show.

import { button, el, inTurn, percent } from "./build.js";
import { say, told } from "./say.js";

const INTENTS = [["relative", say("relative colorimetric")], ["perceptual", say("perceptual")]];
let last = ""; // the paper looked at before

export async function paperDialog(house, page) {
  const { view } = page;
  const image = el("img", { alt: say("{view} as the paper shows it", { view }), draggable: "false" });
  const said = el("p", { role: "status" }, say("Making the exact picture"));
  const paper = el("select", { "aria-label": say("Paper") });
  const intent = el("select", { "aria-label": say("Rendering intent") }, ...INTENTS.map(([value, words]) => el("option", { value }, words)));
  const white = el("input", { type: "checkbox" });
  const outside = el("input", { type: "checkbox" });
  const file = el("input", { type: "file", accept: ".icc,.icm", hidden: true, "aria-label": say("Profile of a paper") });
  const pane = el("div", { class: "pane fitted" }, image);
  const dialog = el("dialog", { class: "wide", "aria-label": say("{view} on paper", { view }) },
    el("div", { class: "side" }, pane, el("p", {},
      paper, " ", button(say("Add a paper's profile"), () => file.click(), { title: say("The .icc or .icm file that came with the paper or from the print shop; it is kept in the visit's folder profiles") }), file, " ", intent, " ",
      el("label", { class: "check" }, white, say("the paper's own white")), " ", el("label", { class: "check" }, outside, say("in colour only what the paper cannot show")))),
    el("form", { method: "dialog", class: "row" }, el("button", {}, say("Back")), said));
  let proof = null;
  const drawings = inTurn();

  async function list(chosen) {
    const found = await house.ask("papers").catch(() => []);
    paper.replaceChildren(...found.map((p) => el("option", { value: p.file, selected: p.file === chosen }, p.paper)));
    for (const node of [paper, intent, white, outside]) node.disabled = !found.length;
    if (!found.length) said.textContent = say("Add the profile of the paper first: its maker or the print shop has it as a file.");
    return found.length;
  }

  async function draw() {
    if (!paper.value || !proof) return;
    const latest = drawings();
    last = paper.value;
    const sharp = Math.min(devicePixelRatio, 2);
    const size = [pane.clientWidth, pane.clientHeight].map((n) => Math.max(64, Math.round(n * sharp))).join("/");
    const asked = new URLSearchParams({ profile: paper.value, intent: intent.value, white: +white.checked, outside: +outside.checked });
    const answer = await fetch(`/proof/${proof.key}/paper/${size}?${asked}`).catch(() => null);
    if (!latest()) return;
    if (!answer?.ok) {
      said.textContent = answer ? told(await answer.text()) : say("The server does not answer.");
      return;
    }
    const share = +answer.headers.get("x-outside");
    said.textContent = share < 0.0005 ? say("The paper can show all of it.") : say("The paper cannot show {share} of it as it is.", { share: percent(share, share < 0.1 ? 1 : 0) });
    image.onload = () => URL.revokeObjectURL(image.src);
    image.src = URL.createObjectURL(await answer.blob());
  }

  file.addEventListener("change", async () => {
    if (!file.files[0]) return;
    const answer = await fetch(`/profile/${encodeURIComponent(file.files[0].name)}`, { method: "PUT", body: file.files[0] }).catch(() => null);
    const kept = answer ? await answer.json() : { error: say("The server does not answer.") };
    file.value = "";
    if (kept.error) {
      said.textContent = told(kept.error);
      return;
    }
    await list(kept.file);
    draw();
  });
  for (const node of [paper, intent, white, outside]) node.addEventListener("change", draw);
  document.body.append(dialog);
  dialog.addEventListener("close", () => dialog.remove());
  dialog.showModal();
  await list(last);
  while (dialog.open && !proof) {
    // None comes while the frames are put together, or another picture is being made.
    const found = await house.ask("proof", { view, values: page.changedValues() }).catch((problem) => { said.textContent = told(problem.message); });
    proof = found?.state === "made" ? found : null;
    if (!proof) await new Promise((go) => { setTimeout(go, 1000); });
  }
  if (proof) draw(); // what was said of a paper meanwhile stands
}
