// The prompter: the words roll at one's own pace beside the shot, and what is spoken is recorded.

import { button, el } from "./build.js";
import { Recorder, keep } from "./recorder.js";
import { decimal, few, figure, say, told } from "./say.js";

const LOUD = 0.97; // of full scale, from which a take is said to be too loud
const PACE = 140; // words a minute, until one has said otherwise

// A level meter that remembers that it was too loud.
export function level() {
  const meter = el("meter", { min: 0, max: 1, low: 0.05, high: LOUD, optimum: 0.4, value: 0, "aria-label": say("Recording level") });
  const said = el("span", { class: "trouble", role: "status" });
  const node = el("span", { class: "level" }, meter, said);
  const hears = (peak) => {
    meter.value = peak;
    if (peak >= LOUD) said.textContent = say("Too loud: move back or turn the level down");
  };
  const fresh = () => {
    meter.value = 0;
    said.textContent = "";
  };
  return { node, hears, fresh };
}

const spokenIn = (words) => words.split(/\s+/).filter(Boolean);

export class Prompter {
  // `changed()` hears that a take was kept.
  constructor(house, facts, shot, changed) {
    this.house = house;
    this.facts = facts;
    this.changed = changed;
    this.at = 0;
    this.shots = facts.shots.map((s, number) => ({ ...s, number })).filter((s) => s.words.trim());
    this.first = Math.max(0, this.shots.findIndex((s) => s.number >= shot));
    this.pace = Number(localStorage.getItem("clerestory.pace")) || PACE;
  }

  open() {
    this.level = level();
    this.picture = el("img", { alt: "" });
    this.told = el("p", { class: "quiet", "aria-live": "polite" });
    this.roll = el("div", { class: "roll", tabindex: 0, "aria-label": say("Words to be spoken") }, ...this.shots.map((s) =>
      el("section", { "data-shot": s.number }, el("p", { class: "quiet" }, `${s.number + 1}. ${s.caption || s.picture}`), el("p", { class: "said" },
        ...spokenIn(s.words).flatMap((word) => [el("span", {}, word), " "])))));
    const pace = el("input", { id: "pace", type: "range", min: 80, max: 220, step: 5, value: this.pace, oninput: () => {
      this.pace = Number(pace.value);
      paced.textContent = say("{pace} words a minute", { pace: this.pace });
      localStorage.setItem("clerestory.pace", this.pace);
    } });
    const paced = el("output", { for: "pace" }, say("{pace} words a minute", { pace: this.pace }));
    this.rolling = button(say("Roll"), () => this.run(!this.going));
    this.recordOne = button(say("Record this shot"), () => this.record(false));
    this.recordAll = button(say("Record in one go"), () => this.record(true));
    this.node = el("dialog", { class: "wide prompter", "aria-label": say("Prompter") },
      el("div", { class: "prompting" }, el("div", { class: "shown" }, this.picture, this.told), this.roll),
      el("div", { class: "row" }, this.rolling, button(say("Previous"), () => this.go(this.now - 1)), button(say("Next"), () => this.go(this.now + 1)),
        el("label", { for: "pace" }, say("Pace")), pace, paced, this.recordOne, this.recordAll, this.level.node, button(say("Close"), () => this.node.close())));
    this.node.addEventListener("close", () => this.close());
    this.node.addEventListener("keydown", (e) => {
      if (e.key !== " " || ["BUTTON", "INPUT"].includes(e.target.tagName)) return;
      e.preventDefault();
      this.run(!this.going);
    });
    document.body.append(this.node);
    this.node.showModal();
    if (!this.shots.length) {
      this.roll.append(el("p", {}, say("No shot has words yet: write what is to be said under Narration.")));
      for (const b of [this.rolling, this.recordOne, this.recordAll]) b.disabled = true;
      return;
    }
    this.go(this.first);
  }

  async close() {
    this.run(false);
    if (this.recorder) await this.keep();
    this.node.remove();
    this.changed();
  }

  get sections() {
    return [...this.roll.querySelectorAll("section")];
  }

  // The shot whose words are at the reading line: a third of the way down.
  go(number) {
    this.now = Math.min(Math.max(number, 0), this.shots.length - 1);
    this.word = 0;
    this.show();
    this.place();
  }

  show() {
    const shot = this.shots[this.now];
    const picture = this.facts.pictures.find((p) => p === shot.picture || p.replace(/\.[^.]+$/, "") === shot.picture);
    if (picture) this.picture.src = `/small-picture/${encodeURIComponent(picture)}`;
    this.picture.hidden = !picture;
    this.sections.forEach((s, k) => s.toggleAttribute("data-now", k === this.now));
    const words = spokenIn(shot.words).length;
    this.told.textContent = few("Shot {i}: {n} word, {seconds} s at this pace", "Shot {i}: {n} words, {seconds} s at this pace", words, { i: shot.number + 1, seconds: Math.round((60 * words) / this.pace) });
  }

  // Brings the word that is to be spoken now to the reading line.
  place() {
    const words = this.sections[this.now].querySelectorAll(".said span");
    const here = Math.min(Math.floor(this.word), words.length - 1);
    const share = Math.min(this.word - here, 1);
    const top = (k) => words[Math.min(k, words.length - 1)].offsetTop;
    const y = top(here) + share * (top(here + 1) - top(here));
    this.roll.scrollTop = y - this.roll.clientHeight / 3;
  }

  run(on) {
    this.going = on && this.shots.length > 0;
    if (this.rolling) this.rolling.textContent = this.going ? say("Halt") : say("Roll");
    this.then = 0;
    if (this.going) requestAnimationFrame((t) => this.step(t));
  }

  step(t) {
    if (!this.going || !this.node.isConnected) return;
    if (this.then) this.word += ((t - this.then) / 60000) * this.pace;
    this.then = t;
    const count = spokenIn(this.shots[this.now].words).length;
    if (this.word >= count) {
      const last = this.now === this.shots.length - 1 || this.recorder?.one;
      if (last) return this.run(false);
      this.go(this.now + 1);
    }
    this.place();
    requestAnimationFrame((u) => this.step(u));
  }

  async record(all) {
    if (this.recorder) return this.keep();
    this.level.fresh();
    this.recorder = new Recorder((peak) => this.level.hears(peak));
    this.recorder.one = !all;
    this.recorder.shot = this.shots[this.now]; // whose take it is, wherever the words roll on to
    try {
      await this.recorder.start();
    } catch {
      this.recorder = null;
      return this.house.trouble(say("The microphone could not be opened: check that it is connected and that the browser lets this page use it."));
    }
    const [used, other] = all ? [this.recordAll, this.recordOne] : [this.recordOne, this.recordAll];
    used.textContent = say("Stop recording");
    used.classList.add("live");
    other.disabled = true;
    this.go(all ? 0 : this.now);
    this.run(true);
  }

  async keep() {
    const { recorder } = this;
    const { shot } = recorder;
    this.recorder = null;
    this.run(false);
    for (const [b, words] of [[this.recordOne, say("Record this shot")], [this.recordAll, say("Record in one go")]]) {
      b.textContent = words;
      b.classList.remove("live");
      b.disabled = false;
    }
    const data = await recorder.stop();
    const facts = await keep(recorder.one ? shot.picture : "all", data);
    if (facts.error) return this.house.trouble(told(facts.error));
    if (!recorder.one) {
      await this.house.ask("film one take", { name: facts.kept }).catch(() => 0);
      this.told.textContent = say("Kept; it is split at its pauses when the film is made.");
      return;
    }
    await this.house.ask("film shot", { shot: shot.number, values: { narration: facts.kept } }).catch(() => 0);
    const heard = await this.house.ask("film takes", { shot: shot.number }).catch(() => null);
    const take = heard?.takes.find((t) => t.name === facts.kept);
    this.tell(shot, take);
  }

  // Says how the take went, and marks the words that it departs from.
  tell(shot, take) {
    if (!take) return;
    const words = this.sections[this.shots.indexOf(shot)].querySelectorAll(".said span");
    words.forEach((word) => word.classList.remove("departs"));
    for (const [first, last] of take.marks) for (let k = first; k <= last; k += 1) words[k]?.classList.add("departs");
    const said = take.faults.length ? take.faults : take.marks.map(([, , how]) => how);
    this.told.textContent = `${say("{seconds} s, {level} LUFS, {pace} words a minute.", { seconds: decimal(take.seconds, 1), level: figure(take.level ?? "-"), pace: take.pace })} ${said.map(told).join("; ") || say("It keeps to its words.")}`;
  }
}
