// One frame as large as the window, with its settings, what it has in common with the pick, and why that is the pick.

import { button, called, el, percent } from "./build.js";

const clock = (time) => (time ? new Date(time).toLocaleString([], { dateStyle: "medium", timeStyle: "medium" }) : "no time in the file");

// `sort` is the page: it knows the frame one is at, and goes to the next.
export class Large {
  constructor(sort) {
    this.sort = sort;
    this.house = sort.house;
    this.image = el("img", { alt: "", draggable: "false" });
    this.waiting = el("p", { class: "waiting" });
    this.title = el("h2", {});
    this.facts = el("dl", { class: "facts" });
    this.pickButton = button("Pick this frame", () => this.sort.pick());
    this.stage = el("div", { class: "large-stage" }, this.image, this.waiting);
    this.dialog = el("dialog", { class: "wide large", "aria-label": "One frame large" }, this.stage,
      el("section", { class: "large-says", "aria-label": "Its settings" }, this.title,
        el("div", { class: "row" }, button("‹", () => this.go(0, -1), { "aria-label": "Previous frame" }), button("›", () => this.go(0, 1), { "aria-label": "Next frame" }), this.pickButton,
          button("Leave out", () => this.leaveOut()), button("Compare with the pick", () => this.compare()), button("Back", () => this.dialog.close())), this.facts,
        el("p", { class: "quiet key-line" }, "Keys: ← → frames, ↑ ↓ views, Enter pick, e leave out, v compare, Esc back")));
    this.dialog.addEventListener("keydown", (e) => this.key(e));
    this.dialog.addEventListener("close", () => this.close());
    document.body.append(this.dialog);
    this.off = this.house.wire.on("views", () => setTimeout(() => this.show(), 300));
    this.dialog.showModal();
    this.show();
  }

  close() {
    this.off();
    this.dialog.remove();
    this.sort.large = null;
    this.sort.mark(true);
  }

  key(event) {
    const letters = document.getElementById("letters").checked;
    const does = { ArrowLeft: () => this.go(0, -1), ArrowRight: () => this.go(0, 1), ArrowUp: () => this.go(-1, 0), ArrowDown: () => this.go(1, 0),
      Enter: () => this.sort.pick(), e: letters && (() => this.leaveOut()), v: letters && (() => this.compare()) }[event.key];
    if (!does || event.ctrlKey || event.metaKey || event.altKey || (event.key === "Enter" && event.target.matches("button"))) return;
    event.preventDefault();
    event.stopPropagation();
    does();
  }

  go(views, frames) {
    this.sort.walk(views, frames);
    this.show();
  }

  leaveOut() {
    this.sort.leaveOut([this.sort.here.frame]);
  }

  compare() {
    const { view, frame } = this.sort.here;
    if (frame === view.pick && view.frames.length < 2) return;
    this.dialog.close();
    this.sort.compare();
  }

  async show() {
    const { view, frame } = this.sort.here;
    if (!view || !this.dialog.open) return this.dialog.close();
    const facts = this.house.visit.frames[frame] ?? {};
    const pick = frame === view.pick;
    if (this.frame !== frame) {
      this.frame = frame;
      this.image.alt = frame;
      this.image.src = `/small/${encodeURIComponent(frame)}`;
      this.waiting.textContent = "Reading it at full size";
      const full = new Image();
      full.src = `/frame/${encodeURIComponent(frame)}`;
      full.decode().then(() => {
        if (this.frame !== frame) return;
        this.image.src = full.src;
        this.waiting.textContent = "";
      }, () => { if (this.frame === frame) this.waiting.textContent = "It could not be read at full size."; });
    }
    const number = `${view.frames.indexOf(frame) + 1} of ${view.frames.length}`;
    this.title.textContent = `${called(view)}${view.frames.length > 1 ? `, frame ${number}` : ""}`;
    this.pickButton.disabled = pick;
    const rows = [["File", frame], ["Settings", facts.settings], ["Camera", facts.camera || "not told"], ["Taken", clock(facts.time)], ["Pixels", `${facts.width} × ${facts.height}`],
      ["Sharpness", (facts.sharpness ?? 0).toFixed(2)], ["Clipped", percent(facts.clipped ?? 0, 2)], [pick ? "The pick" : "This view", view.why]];
    this.facts.replaceChildren(...rows.flatMap(([name, words]) => [el("dt", {}, name), el("dd", {}, words)]));
    const found = (await this.sort.factsOf(view))[frame];
    if (this.frame !== frame || !found?.together) return;
    this.facts.append(el("dt", {}, "With the pick"), el("dd", { class: found.stranger ? "doubt" : "" }, found.together));
  }
}
