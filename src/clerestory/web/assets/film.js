// The film page: the preview, the shots on their time line, and the words said over them.

import { button, debounce, el, gesture, inTurn } from "./build.js";
import { released } from "./pressed.js";
import { Prompter, level } from "./prompter.js";
import { Recorder, keep } from "./recorder.js";
import { decimal, few, figure, say, told } from "./say.js";
import { TextDesk } from "./text.js";

const MOVES = { hold: say("[of the camera] Hold"), push: say("Push in"), pull: say("Pull out"), pan: say("Pan"), tilt: say("Tilt") };
const KINDS = {
  straightening: say("made upright"), standpoint: say("where it was taken"), walk: say("a walk to where it was taken"), distance: say("far and near"),
  focus: say("how deep it is sharp"), exposures: say("how the light was held"), merge: say("the merge at 100 %"), clip: say("clip"),
  beside: say("two side by side"), wipe: say("one drawn over another"), older: say("with an older picture"),
};
// What a shot of a picture may be made into on this page; a clip and pairs need a second file, which film.toml names.
const ASKED = { picture: say("Picture"), straightening: say("Made upright"), standpoint: say("Where it was taken"), walk: say("A walk to there"), distance: say("Far and near"),
  focus: say("Depth of field"), exposures: say("How the light was held"), merge: say("The merge at 100 %") };
const SHAPES = { wide: say("Wide, 16:9"), square: say("Square"), upright: say("Upright, 9:16") };
const kindOf = (shot) => Object.keys(KINDS).find((key) => shot[key]);
const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;

// The words, with those that a take departs from marked, and how.
function marked(words, marks) {
  const split = words.split(/\s+/).filter(Boolean);
  const out = [say("Where the take departs: ")];
  for (const [first, last, said] of marks) {
    out.push(el("mark", { title: told(said) }, split.slice(first, last + 1).join(" ")), ` (${told(said)}) `);
  }
  return out;
}

export class Film {
  loads = inTurn();

  hearings = inTurn();

  constructor(house, room) {
    this.house = house;
    this.room = room;
    this.shot = 0;
    this.stay = gesture("film"); // another at each coming to a shot: changes of one field in one stay are undone together
    this.unkept = null; // words being typed: their field, and the shot they are said over
    this.keepSoon = debounce(() => this.settle(), 500);
    this.off = [house.wire.on("film", () => this.load()), house.wire.on("written", () => this.load())];
    room.append(el("div", { class: "film" }, el("h1", {}, say("Film")), el("p", { class: "quiet" }, say("Loading the film"))));
    this.load();
  }

  close() {
    this.settle();
    if (this.recorder) this.stop();
    this.closed = true;
    this.off.forEach((off) => off());
    this.desk?.close();
  }

  // What is only waiting to be kept is kept now: an undo, another shot or another page comes after it.
  settle() {
    this.keepSoon.cancel();
    const typed = this.unkept;
    this.unkept = null;
    if (typed) this.set({ words: typed.field.value }, typed.shot, typed.picture);
  }

  again() {
    this.load();
  }

  stepped() {
    this.stay = gesture("film");
    this.load();
  }

  async load() {
    const latest = this.loads();
    let facts;
    try {
      facts = await this.house.ask("film");
    } catch { return; }
    await released();
    if (this.closed || this.recorder || !latest()) return;
    const half = document.activeElement?.validity?.badInput ? document.activeElement : null; // "-", of "-23"
    if (half) {
      half.addEventListener("blur", () => this.load(), { once: true });
      return;
    }
    this.facts = facts;
    if (!facts.there) this.none();
    else if (facts.unread) this.unread(facts.unread);
    else this.show();
  }

  // film.toml says something that cannot be read: what, and the text itself to put it right.
  unread(words) {
    this.desk ??= new TextDesk(this.house, "film/film.toml", () => this.load());
    this.room.replaceChildren(el("div", { class: "film empty" }, el("h1", {}, say("Film")),
      el("p", {}, say("The film cannot be read as it stands:")), el("p", { class: "trouble" }, told(words)), this.desk.node));
  }

  none() {
    const some = this.facts.pictures.length;
    this.room.replaceChildren(el("div", { class: "film empty" }, el("h1", {}, say("Film")),
      el("p", {}, some ? few("There is {n} picture. A draft puts them in the order they were taken, each with a slow camera move; you can change everything afterwards.",
        "There are {n} pictures. A draft puts them in the order they were taken, each with a slow camera move; you can change everything afterwards.", some)
        : say("There are no pictures yet. Finish some first: the film is made from them.")),
      ...(some ? [button(say("Draft a film"), () => this.house.ask("film draft").catch(() => 0))] : [])));
  }

  // ---- the page

  show() {
    const f = this.facts;
    this.desk?.close();
    this.desk = null;
    const typing = this.typing();
    const down = this.editor?.scrollTop ?? 0;
    this.shot = Math.min(this.shot, f.shots.length - 1);
    const keep = this.video && this.made === f.preview_made ? this.video : null;
    this.made = f.preview_made;
    this.video = keep ?? (f.preview_made
      ? el("video", { controls: true, preload: "metadata", src: `/kept/film/preview.mp4?${f.preview_made}`, "aria-label": say("Film preview") })
      : el("p", { class: "screen quiet" }, say("No preview yet.")));
    this.makeButton = button(say("Make preview"), () => this.make(true));
    this.filmButton = button(say("Make film"), () => this.make(false));
    this.stopButton = button(say("Cancel"), () => this.house.ask("film stop").catch(() => 0), { hidden: true, title: say("Finished parts are kept for next time") });
    this.editor = el("section", { class: "editor", "aria-label": say("Selected shot") });
    this.line = el("div", { class: "timeline", role: "list", "aria-label": say("Shots in order") }, ...this.scenes());
    this.shape = el("select", { "aria-label": say("Shape of the film") }, ...Object.entries(SHAPES).map(([value, said]) => el("option", { value }, said)));
    this.shape.value = this.asked ?? "wide";
    this.shape.addEventListener("change", () => { this.asked = this.shape.value; });
    const made = [["film", "film", say("Watch the film")], ["film-square", "film-square", say("Watch square")], ["film-upright", "film-upright", say("Watch upright")]];
    const films = made.filter(([kind]) => f[`${kind}_made`]).map(([, name, said]) => el("a", { href: `/kept/film/${name}.mp4`, target: "_blank", rel: "noopener" }, said));
    this.room.replaceChildren(el("div", { class: "film" },
      el("div", { class: "screening" }, this.video, this.editor),
      el("div", { class: "bar" }, el("h1", {}, f.title || say("Film")), el("p", { class: "quiet" }, told(f.trouble) ?? `${f.seconds ? `${clock(f.seconds)}, ` : ""}${few("{n} shot", "{n} shots", f.shots.length)}`),
        el("div", { class: "row" }, button(say("Title and sound"), () => this.titles()), this.makeButton, this.filmButton, this.shape, this.stopButton, ...films)),
      this.line, el("div", { class: "quiet notes" }, ...(f.notes ?? []).map((said) => el("p", {}, told(said))), el("p", {}, told(f.care.publishing)))));
    if (this.onTitles) this.titles();
    else this.choose(this.shot);
    typing?.();
    this.editor.scrollTop = down; // what was being looked at stays where it was
    this.makingChanged(f.making);
  }

  // Takes up what is being typed again after the page has been drawn anew; nothing typed and not yet kept is lost.
  typing() {
    const field = this.editor?.contains(document.activeElement) ? document.activeElement : null;
    if (!field?.id) return null;
    const { id, value, selectionStart: from, selectionEnd: to } = field;
    const own = id === "words" ? this.typedFor?.words : this.drawn?.[id];
    const fresh = own !== undefined && value !== String(own) ? value : null;
    return () => {
      const again = document.getElementById(id);
      if (!again) return;
      if (fresh !== null) again.value = fresh;
      // A value put back by us is no change to the browser: it is told of it when the field is left.
      if (fresh !== null && id !== "words") again.addEventListener("blur", () => again.dispatchEvent(new Event("change")), { once: true });
      again.focus();
      if (typeof from === "number") again.setSelectionRange(from, to);
      else if (fresh === null && again.type === "number") again.select(); // a number's caret is not told; nothing was typed
    };
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
        ? el("button", { type: "button", "data-shot": -1, title: say("Edit the title"), onclick: () => this.titles() }, words) : words);
    }
    const picture = this.facts.pictures.find((p) => p === shot.picture || p.replace(/\.[^.]+$/, "") === shot.picture);
    const words = shot.words || "";
    const node = el("div", { role: "listitem", class: "shot" }, el("button", { type: "button", "data-shot": scene.shot, onclick: () => this.choose(scene.shot) },
      el("span", { class: "unseen" }, say("Shot {shot}, {picture} ", { shot: scene.shot + 1, picture: shot.picture })),
      picture ? el("img", { src: `/small-picture/${encodeURIComponent(picture)}`, alt: "", loading: "lazy" }) : null,
      el("span", { class: "said" }, words || shot.caption || KINDS[kindOf(shot)] || ""), el("span", { class: "quiet" }, `${decimal(scene.seconds, 1)} s${shot.narration ? say(" · recorded") : ""}`)));
    node.style.flexGrow = scene.seconds.toFixed(2);
    return node;
  }

  choose(number) {
    this.settle();
    if (this.recorder && this.recorder.shot !== number) this.stop();
    if (this.shot !== number) this.stay = gesture("film");
    this.shot = number;
    this.onTitles = false;
    const shot = this.facts.shots[number];
    this.typedFor = shot;
    this.mark(number);
    const words = el("textarea", { id: "words", rows: 3, value: shot.words, onblur: () => this.settle(),
      oninput: () => { this.unkept = { field: words, shot: number, picture: shot.picture }; this.keepSoon(); } });
    const caption = el("input", { id: "caption", value: shot.caption, onchange: () => this.set({ caption: caption.value }) });
    const seen = el("input", { id: "seen", value: shot.description, placeholder: say("the picture's own description"), onchange: () => this.set({ description: seen.value }) });
    const move = el("select", { id: "move", onchange: () => this.set({ move: move.value, direction: "" }) }, ...Object.entries(MOVES).map(([value, said]) => el("option", { value }, said)));
    const chapter = el("input", { id: "chapter", value: shot.chapter, placeholder: say("none"), onchange: () => this.set({ chapter: chapter.value }) });
    const long = el("input", { id: "long", type: "number", min: 1, max: 120, step: 0.5, placeholder: say("automatic"), value: shot.seconds ?? "",
      onchange: () => this.set({ seconds: long.value ? Number(long.value) : null }) });
    move.value = shot.move;
    this.level = level();
    const asked = el("select", { id: "kind", onchange: () => this.become(asked.value) }, ...Object.entries(ASKED).map(([value, said]) => el("option", { value }, said)));
    this.recordButton = button(shot.narration ? say("Record again") : say("Record"), () => this.record());
    const hear = shot.narration
      ? el("audio", { controls: true, preload: "none", src: `/kept/${shot.narration}?${Date.now()}`, "aria-label": say("Recorded narration") }) : null;
    const forget = shot.narration ? button(say("Remove recording"), () => this.set({ narration: "" })) : null;
    const kind = kindOf(shot);
    asked.value = kind && ASKED[kind] ? kind : "picture";
    const settled = kind && !ASKED[kind];
    const whose = `${number} ${shot.picture}`;
    if (this.takesOf !== whose || !this.facts.takes?.length) { // else the takes stand until they are heard again
      this.takes = el("div", { class: "takes" });
      this.departs = el("p", { class: "departs", id: "departs" });
      this.takesOf = whose;
    }
    this.editor.replaceChildren(el("h2", {}, `${number + 1}. ${shot.picture}${kind ? ` (${KINDS[kind]})` : ""}`),
      el("label", { for: "words" }, say("Narration")), words,
      el("div", { class: "row" }, this.recordButton, this.level.node, forget, button(say("Prompter"), () => this.prompt())), this.departs, this.takes, ...(hear ? [hear] : []),
      el("p", { class: "quiet" }, told(this.facts.care.recording)),
      el("div", { class: "fields" }, ...(settled ? [] : [el("label", { for: "kind" }, say("Shows")), asked]), el("label", { for: "caption" }, say("Caption")), caption, el("label", { for: "chapter" }, say("Chapter starts here")), chapter, ...(kind ? [] : [el("label", { for: "move" }, say("Move")), move]),
        el("label", { for: "long" }, say("Length (s)")), long, el("label", { for: "seen" }, say("What is seen")), seen),
      el("div", { class: "row" }, button(say("Move earlier"), () => this.shift(-1)), button(say("Move later"), () => this.shift(1)),
        button(say("Remove shot"), () => this.house.ask("film drop", { shot: number }).catch(() => 0))));
    this.hearTakes(number);
  }

  // A shot made into one that shows how its picture came about, or back.
  become(kind) {
    const shot = this.facts.shots[this.shot];
    const none = Object.fromEntries(Object.keys(ASKED).filter((key) => key !== "picture").map((key) => [key, ""]));
    const plain = kind === "picture" ? {} : { [kind]: shot.picture, move: "hold", direction: "", before: false, within: "", whole: false, point: [] };
    this.set({ ...none, walk_from: "", station: "", focus_m: null, ...plain });
  }

  // The takes of a shot, the best said so, and where the one in use departs from the words.
  async hearTakes(number) {
    if (!this.facts.takes?.length) return;
    const latest = this.hearings();
    const heard = await this.house.ask("film takes", { shot: number }).catch(() => null);
    const shot = this.facts.shots?.[number];
    if (!heard || !shot || !latest() || this.shot !== number || !this.takes?.isConnected) return;
    this.takes.replaceChildren(...heard.takes.map((take, k) => this.take(shot, take, k)));
    const used = heard.takes.find((take) => take.name === shot.narration);
    this.departs.replaceChildren(...(used?.marks.length ? marked(shot.words, used.marks) : []));
  }

  take(shot, take, k) {
    const id = `take-${k}`;
    const radio = el("input", { type: "radio", name: "take", id, checked: take.name === shot.narration, onchange: () => this.set({ narration: take.name }) });
    const said = [`${decimal(take.seconds, 1)} s`, take.pace ? say("{pace} words a minute", { pace: take.pace }) : "", take.level === null ? "" : `${figure(take.level)} LUFS`,
      take.marks.length ? few("departs in {n} place", "departs in {n} places", take.marks.length) : "", take.best ? say("best") : ""].filter(Boolean).join(" · ");
    return el("div", { class: "row" }, radio, el("label", { for: id }, say("Take {n}", { n: k + 1 })), el("span", { class: "quiet" }, said),
      ...take.faults.map((fault) => el("span", { class: "trouble" }, told(fault))));
  }

  prompt() {
    this.prompter = new Prompter(this.house, this.facts, this.shot, () => this.load());
    this.prompter.open();
  }

  titles() {
    this.settle();
    if (this.recorder) this.stop();
    this.mark(-1);
    this.onTitles = true;
    this.typedFor = null;
    const field = (name, label) => {
      const input = el("input", { id: name, value: this.facts[name] ?? "",
        onchange: () => this.house.ask("film title", { values: { [name]: input.value }, was: { [name]: this.facts[name] ?? "" } }).catch(() => this.load()) });
      return [el("label", { for: name }, label), input];
    };
    this.drawn = { title: this.facts.title ?? "", subtitle: this.facts.subtitle ?? "", loudness: this.facts.loudness };
    const loud = el("input", { id: "loudness", type: "number", min: -31, max: -14, step: 0.1, value: this.facts.loudness, "aria-describedby": "loudness-says",
      onchange: () => this.house.ask("film title", { values: { loudness: Number(loud.value) }, was: { loudness: this.facts.loudness } }).catch(() => this.load()) });
    this.editor.replaceChildren(el("h2", {}, say("Title and sound")), el("div", { class: "fields" }, ...field("title", say("Title")), ...field("subtitle", say("Subtitle")),
      el("label", { for: "loudness" }, say("Loudness (LUFS)")), loud),
    el("p", { class: "quiet", id: "loudness-says" }, say("-18 for speech online (AES TD1008), -23 for broadcast (EBU R 128). Peaks stay at or below -1 dBTP.")));
  }

  mark(number) {
    this.line.querySelectorAll("[data-shot]").forEach((b) => {
      if (Number(b.dataset.shot) === number) b.setAttribute("aria-current", "true");
      else b.removeAttribute("aria-current");
    });
  }

  // `number`, `picture`: the shot that the hand was at, which may stand elsewhere by now; the server then says so.
  set(values, number = this.shot, picture = this.facts.shots[number].picture) {
    const shot = this.facts.shots[number] ?? {};
    const fresh = Object.fromEntries(Object.entries(values).filter(([k, v]) => shot[k] !== v));
    if (!Object.keys(fresh).length) return;
    const was = { picture, ...Object.fromEntries(Object.keys(fresh).map((k) => [k, shot[k]])) };
    Object.assign(shot, fresh);
    this.house.ask("film shot", { shot: number, values: fresh, was, gesture: `${Object.keys(fresh)}-${this.stay}` })
      .then(() => this.load()).catch(() => this.load());
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
    this.recorder = new Recorder((peak) => this.level.hears(peak));
    this.recorder.shot = this.shot; // whose take it is, whichever is looked at when it ends
    this.recorder.picture = this.facts.shots[this.shot].picture;
    try {
      await this.recorder.start();
    } catch {
      this.recorder = null;
      return this.house.trouble(say("The microphone could not be opened: check that it is connected and that the browser lets this page use it."));
    }
    this.recordButton.textContent = say("Stop recording");
    this.recordButton.classList.add("live");
  }

  async stop() {
    const { recorder } = this;
    this.recorder = null;
    this.recordButton.disabled = true; // until the page is drawn anew
    const facts = await keep(recorder.picture, await recorder.stop());
    if (facts.error) {
      this.house.trouble(told(facts.error));
      return this.load();
    }
    this.set({ narration: facts.kept }, recorder.shot, recorder.picture);
  }

  // ---- making

  make(preview) {
    this.house.ask("film make", { preview, shape: preview ? "wide" : this.shape?.value ?? "wide" }).catch(() => 0);
  }

  makingChanged(facts) {
    if (!this.makeButton) return;
    const busy = facts?.state === "making";
    const how = busy && facts.total ? say("Making: {share} %", { share: Math.round((100 * facts.done) / facts.total) }) : say("Making");
    for (const [node, what] of [[this.makeButton, "preview"], [this.filmButton, "film"]]) {
      node.disabled = busy;
      node.textContent = busy && facts.what === what ? how : what === "film" ? say("Make film") : say("Make preview");
    }
    this.stopButton.hidden = !busy;
  }

  keys() {
    return [
      ["ArrowRight", say("next shot"), () => this.facts?.shots && this.choose(Math.min(this.shot + 1, this.facts.shots.length - 1))],
      ["ArrowLeft", say("previous shot"), () => this.facts?.shots && this.choose(Math.max(this.shot - 1, 0))],
      [" ", say("play or pause the preview"), () => this.video?.play && (this.video.paused ? this.video.play() : this.video.pause())],
      ["n", say("record narration, or stop recording"), () => this.recordButton && this.record()],
      ["m", say("make preview"), () => this.make(true)],
    ];
  }
}
