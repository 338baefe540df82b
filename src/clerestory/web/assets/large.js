// One frame as large as the window, with its settings, what it has in common with the pick, and why that is the pick.

import { button, called, el, inTurn, percent } from "./build.js";
import { decimal, LOCALE, say, told } from "./say.js";

const clock = (time) => (time ? new Date(time).toLocaleString(LOCALE, { dateStyle: "medium", timeStyle: "medium" }) : say("no time in the file"));

// `sort` is the page: it knows the frame one is at, and goes to the next.
export class Large {
  shows = inTurn();

  constructor(sort) {
    this.sort = sort;
    this.house = sort.house;
    this.image = el("img", { alt: "", draggable: "false" });
    this.waiting = el("p", { class: "waiting" });
    this.title = el("h2", {});
    this.facts = el("dl", { class: "facts" });
    this.pickButton = button(say("Pick this frame"), () => this.sort.pick());
    this.stage = el("div", { class: "large-stage" }, this.image, this.waiting);
    this.dialog = el("dialog", { class: "wide large", "aria-label": say("One frame large") }, this.stage,
      el("section", { class: "large-says", "aria-label": say("Its settings") }, this.title,
        el("div", { class: "row" }, button("‹", () => this.go(0, -1), { "aria-label": say("Previous frame") }), button("›", () => this.go(0, 1), { "aria-label": say("Next frame") }), this.pickButton,
          button(say("Leave out"), () => this.leaveOut()), button(say("Compare with the pick"), () => this.compare()), button(say("Back"), () => this.dialog.close())), this.facts,
        el("p", { class: "quiet key-line" }, say("Keys: ← → frames, ↑ ↓ views, Enter pick, e leave out, v compare, Esc back"))));
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
    const latest = this.shows();
    const facts = this.house.visit.frames[frame] ?? {};
    const pick = frame === view.pick;
    if (this.frame !== frame) {
      this.frame = frame;
      this.image.alt = frame;
      this.image.src = `/small/${encodeURIComponent(frame)}`;
      this.waiting.textContent = say("Reading it at full size");
      const full = new Image();
      full.src = `/frame/${encodeURIComponent(frame)}`;
      full.decode().then(() => {
        if (this.frame !== frame) return;
        this.image.src = full.src;
        this.waiting.textContent = "";
      }, () => { if (this.frame === frame) this.waiting.textContent = say("It could not be read at full size."); });
    }
    const number = { i: view.frames.indexOf(frame) + 1, n: view.frames.length };
    this.title.textContent = `${called(view)}${view.frames.length > 1 ? say(", frame {i} of {n}", number) : ""}`;
    this.pickButton.disabled = pick;
    const rows = [[say("File"), frame], [say("Settings"), told(facts.settings)], [say("Camera"), facts.camera || say("not told")], [say("Taken"), clock(facts.time)], [say("Pixels"), `${facts.width} × ${facts.height}`],
      [say("Sharpness"), decimal(facts.sharpness ?? 0, 2)], [say("Clipped"), percent(facts.clipped ?? 0, 2)], [pick ? say("The pick") : say("This view"), told(view.why)]];
    this.facts.replaceChildren(...rows.flatMap(([name, words]) => [el("dt", {}, name), el("dd", {}, words)]));
    const found = (await this.sort.factsOf(view))[frame];
    if (!latest() || !found?.together) return;
    this.facts.append(el("dt", {}, say("With the pick")), el("dd", { class: found.stranger ? "doubt" : "" }, told(found.together)));
  }
}
