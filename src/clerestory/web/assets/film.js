// The film page: the preview, the shots on their time line, and the words said over them.

import { button, debounce, el } from "./build.js";
import { Recorder } from "./recorder.js";

const MOVES = ["hold", "push", "pull", "pan", "tilt"];
const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;

export class Film {
  constructor(house, room) {
    this.house = house;
    this.room = room;
    this.shot = 0;
    this.off = [house.wire.on("film", () => this.load()), house.wire.on("written", () => this.load())];
    room.append(el("div", { class: "film" }, el("h1", {}, "Film"), el("p", { class: "quiet" }, "Reading the film")));
    this.load();
  }

  close() {
    this.off.forEach((off) => off());
    this.recorder?.stop();
  }

  again() {
    this.load();
  }

  stepped() {
    this.load();
  }

  async load() {
    let facts;
    try {
      facts = await this.house.ask("film");
    } catch { return; }
    if (!this.room.querySelector(".film") || this.recorder) return;
    this.facts = facts;
    if (!facts.there) this.none();
    else this.show();
  }

  none() {
    const some = this.facts.pictures.length;
    this.room.replaceChildren(el("div", { class: "film empty" }, el("h1", {}, "Film"),
      el("p", {}, some ? `There are ${some} pictures. A draft puts them in order of time, each with a slow move that suits it; everything in it can be changed.`
        : "There are no pictures yet. Finish some first; the film is made of them."),
      ...(some ? [button("Draft a film", () => this.house.ask("film draft").catch(() => 0))] : [])));
  }

  // ---- the page

  show() {
    const f = this.facts;
    this.shot = Math.min(this.shot, f.shots.length - 1);
    const keep = this.video && this.made === f.preview_made ? this.video : null;
    this.made = f.preview_made;
    this.video = keep ?? (f.preview_made
      ? el("video", { controls: true, preload: "metadata", src: `/kept/film/preview.mp4?${f.preview_made}`, "aria-label": "The film's preview" })
      : el("p", { class: "screen quiet" }, "No preview has been made yet."));
    this.makeButton = button("Make the preview", () => this.make(true));
    this.filmButton = button("Make the film", () => this.make(false));
    this.stopButton = button("Stop", () => this.house.ask("film stop").catch(() => 0), { hidden: true, title: "What is made so far is kept" });
    this.editor = el("section", { class: "editor", "aria-label": "The chosen shot" });
    this.line = el("div", { class: "timeline", role: "list", "aria-label": "Shots in order" }, ...this.scenes());
    const film = f.film_made ? el("a", { href: "/kept/film/film.mp4", target: "_blank", rel: "noopener" }, "see the film") : null;
    this.room.replaceChildren(el("div", { class: "film" },
      el("div", { class: "screening" }, this.video, this.editor),
      el("div", { class: "bar" }, el("h1", {}, f.title || "Film"), el("p", { class: "quiet" }, f.trouble ?? `${f.seconds ? clock(f.seconds) : ""}, ${f.shots.length} shot${f.shots.length === 1 ? "" : "s"}`),
        el("div", { class: "row" }, this.makeButton, this.filmButton, this.stopButton, film)),
      this.line, el("p", { class: "quiet notes" }, (f.notes ?? []).join(" "))));
    this.choose(this.shot);
    this.makingChanged(f.making);
  }

  scenes() {
    const scenes = this.facts.scenes ?? this.facts.shots.map((s, i) => ({ shot: i, label: s.picture, seconds: s.seconds ?? 7, start: 0 }));
    return scenes.filter((s) => s.shot >= 0 || s.card).map((s) => this.scene(s));
  }

  scene(scene) {
    const shot = this.facts.shots[scene.shot];
    if (!shot) {
      const words = scene.card === "title" ? this.facts.title || "title" : scene.card;
      return el("div", { class: "card", role: "listitem" }, scene.card === "title"
        ? el("button", { type: "button", "data-shot": -1, title: "Change the title", onclick: () => this.titles() }, words) : words);
    }
    const picture = this.facts.pictures.find((p) => p === shot.picture || p.replace(/\.[^.]+$/, "") === shot.picture);
    const words = shot.words || "";
    const node = el("div", { role: "listitem", class: "shot" }, el("button", { type: "button", "data-shot": scene.shot, onclick: () => this.choose(scene.shot) },
      el("span", { class: "unseen" }, `Shot ${scene.shot + 1}, ${shot.picture} `),
      picture ? el("img", { src: `/small-picture/${encodeURIComponent(picture)}`, alt: "", loading: "lazy" }) : null,
      el("span", { class: "said" }, words || shot.caption), el("span", { class: "quiet" }, `${scene.seconds.toFixed(1)} s${shot.narration ? " · recorded" : ""}`)));
    node.style.flexGrow = scene.seconds.toFixed(2);
    return node;
  }

  choose(number) {
    this.shot = number;
    const shot = this.facts.shots[number];
    this.mark(number);
    const say = debounce((values) => this.set(values), 500);
    const words = el("textarea", { id: "words", rows: 3, value: shot.words, oninput: () => say({ words: words.value }), onblur: () => this.set({ words: words.value }) });
    const caption = el("input", { id: "caption", value: shot.caption, onchange: () => this.set({ caption: caption.value }) });
    const move = el("select", { id: "move", onchange: () => this.set({ move: move.value, direction: "" }) }, ...MOVES.map((m) => el("option", { value: m }, m)));
    const long = el("input", { id: "long", type: "number", min: 1, max: 120, step: 0.5, placeholder: "as its words take", value: shot.seconds ?? "",
      onchange: () => this.set({ seconds: long.value ? Number(long.value) : null }) });
    move.value = shot.move;
    this.meter = el("meter", { min: 0, max: 1, value: 0, "aria-label": "Loudness" });
    this.recordButton = button(shot.narration ? "Record it again" : "Record these words", () => this.record());
    const hear = shot.narration
      ? el("audio", { controls: true, preload: "none", src: `/kept/${shot.narration}?${Date.now()}`, "aria-label": "The recorded words" }) : null;
    const forget = shot.narration ? button("Leave the recording out", () => this.set({ narration: "" })) : null;
    this.editor.replaceChildren(el("h2", {}, `${number + 1}. ${shot.picture}`),
      el("label", { for: "words" }, "Words said over it"), words,
      el("div", { class: "row" }, this.recordButton, this.meter, forget), ...(hear ? [hear] : []),
      el("div", { class: "fields" }, el("label", { for: "caption" }, "Caption"), caption, el("label", { for: "move" }, "Move"), move,
        el("label", { for: "long" }, "Seconds"), long),
      el("div", { class: "row" }, button("Earlier", () => this.shift(-1)), button("Later", () => this.shift(1)),
        button("Leave it out", () => this.house.ask("film drop", { shot: number }).catch(() => 0))));
  }

  titles() {
    this.mark(-1);
    const field = (name, label) => {
      const input = el("input", { id: name, value: this.facts[name] ?? "",
        onchange: () => this.house.ask("film title", { values: { [name]: input.value } }).catch(() => this.load()) });
      return [el("label", { for: name }, label), input];
    };
    this.editor.replaceChildren(el("h2", {}, "Title"), el("div", { class: "fields" }, ...field("title", "Title"), ...field("subtitle", "Subtitle")));
  }

  mark(number) {
    this.line.querySelectorAll("[data-shot]").forEach((b) => {
      if (Number(b.dataset.shot) === number) b.setAttribute("aria-current", "true");
      else b.removeAttribute("aria-current");
    });
  }

  set(values) {
    const shot = this.facts.shots[this.shot];
    const fresh = Object.fromEntries(Object.entries(values).filter(([k, v]) => shot[k] !== v));
    if (!Object.keys(fresh).length) return;
    Object.assign(shot, fresh);
    const typing = document.activeElement?.id;
    this.house.ask("film shot", { shot: this.shot, values: fresh, gesture: `${this.shot}-${Object.keys(fresh)}-${this.shownAt ?? 0}` })
      .then(() => this.load()).then(() => typing && document.getElementById(typing)?.focus()).catch(() => this.load());
  }

  async shift(step) {
    const to = this.shot + step;
    if (to < 0 || to >= this.facts.shots.length) return;
    const from = this.shot;
    this.shot = to;
    await this.house.ask("film move", { shot: from, to }).catch(() => 0);
  }

  // ---- narration

  async record() {
    if (this.recorder) return this.stop();
    this.recorder = new Recorder((peak) => { if (this.meter) this.meter.value = peak; });
    try {
      await this.recorder.start();
    } catch {
      this.recorder = null;
      return this.house.trouble("The microphone cannot be heard; allow it in the browser, or check that one is there.");
    }
    this.recordButton.textContent = "Stop";
    this.recordButton.classList.add("live");
  }

  async stop() {
    const recorder = this.recorder;
    const shot = this.facts.shots[this.shot];
    const data = await recorder.stop();
    this.recorder = null;
    const stem = shot.picture.toLowerCase().replace(/\.[^.]+$/, "").replace(/[^a-z0-9_-]+/g, "-").replace(/^[^a-z0-9]+/, "").slice(0, 50);
    const name = `${stem || "shot"}-${Date.now().toString(36)}.wav`;
    const answer = await fetch(`/take/${name}`, { method: "PUT", body: data });
    const facts = await answer.json().catch(() => ({ error: "The recording could not be kept." }));
    if (facts.error) {
      this.house.trouble(facts.error);
      return this.load();
    }
    this.set({ narration: facts.kept });
  }

  // ---- making

  make(preview) {
    this.house.ask("film make", { preview }).catch(() => 0);
  }

  makingChanged(facts) {
    if (!this.makeButton) return;
    const busy = facts?.state === "making";
    const how = busy && facts.total ? `Making: ${Math.round((100 * facts.done) / facts.total)} %` : "Making";
    for (const [node, what] of [[this.makeButton, "preview"], [this.filmButton, "film"]]) {
      node.disabled = busy;
      node.textContent = busy && facts.what === what ? how : `Make the ${what}`;
    }
    this.stopButton.hidden = !busy;
  }

  keys() {
    return [
      ["ArrowRight", "next shot", () => this.facts?.shots && this.choose(Math.min(this.shot + 1, this.facts.shots.length - 1))],
      ["ArrowLeft", "shot before", () => this.facts?.shots && this.choose(Math.max(this.shot - 1, 0))],
      [" ", "play or stop the preview", () => this.video?.play && (this.video.paused ? this.video.play() : this.video.pause())],
      ["n", "record these words, and stop", () => this.recordButton && this.record()],
      ["m", "make the preview", () => this.make(true)],
    ];
  }
}
