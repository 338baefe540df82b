// The plan page: the building drawn and changed by hand (map, section, numbers, text: one and the same visit.toml), the
// sun over the day, the views in the day's order, the field card.

import { button, debounce, drawing, el, inTurn, percent } from "./build.js";
import { beginForm } from "./plan-begin.js";
import { phoneButton } from "./phone.js";
import { PlanMap } from "./plan-map.js";
import { PlanNumbers } from "./plan-numbers.js";
import { outlinePicker, scanTools } from "./plan-outline.js";
import { PlanSection } from "./plan-section.js";
import { PlanStrip, together } from "./plan-strip.js";
import { PlanTaken } from "./plan-taken.js";
import { released } from "./pressed.js";
import { figure, say, told } from "./say.js";
import { TextDesk } from "./text.js";

const NEW = {
  station: (n) => say("new point{n}", { n }), window: (n) => say("new window{n}", { n }), view: (n) => say("new view{n}", { n }), room: (n) => say("new room{n}", { n }),
};

export class Plan {
  loads = inTurn();

  pictures = inTurn();

  constructor(house, room) {
    this.house = house;
    this.room = room;
    this.step = null;
    this.chosen = null; // what is chosen on the map: { table, name }
    this.clicking = null; // hears of clicks on the map while a scan is put in its place
    this.laid = null; // a scan under the map that is not in the plan yet
    this.viewName = null; // the view whose sight is shown
    this.seen = null;
    this.pending = null; // what a hand is moving, not written yet
    this.written = Promise.resolve(); // until all that was asked for is in the text
    this.date = null; // the day shown, where another than the visit's own was chosen
    this.rows = { room: [], window: [], station: [], view: [] };
    this.shining = new Set();
    this.numbers = new Map();
    this.asked = null;
    this.took = []; // ms from a move to its answer, of late
    this.off = [house.wire.on("plan", () => this.load())];
    this.desk = null;
    this.settleSoon = debounce(() => this.settle(), 400);
    this.pictureSoon = debounce(() => this.picture(), 260);
    room.append(el("div", { class: "plan" }, el("h1", {}, say("Plan")), el("p", { class: "quiet" }, say("Reading the plan"))));
    this.load();
  }

  close() {
    this.settle();
    this.pictureSoon.cancel();
    this.closed = true;
    this.off.forEach((off) => off());
    this.desk?.close();
  }

  again() {
    this.load();
  }

  // The visit's frames are known, or others than before.
  visitChanged() {
    if (this.shell && !this.chosen) this.form.draw();
  }

  stepped(place) {
    if (place) this.wanted = place;
    this.load();
  }

  async load() {
    const latest = this.loads();
    let facts;
    try {
      facts = await this.house.ask("plan");
      const kept = facts.dates?.includes(this.date) && this.date !== facts.date;
      if (kept) facts.day = await this.house.ask("plan day", { date: this.date });
    } catch { return; }
    await released();
    if (this.closed || !latest()) return;
    this.facts = facts;
    this.day = facts.day;
    if (!facts.there) this.none();
    else if (facts.trouble) this.troubled(facts.trouble);
    else this.show();
  }

  none() {
    this.shell = null;
    const begun = this.room.querySelector(".begin"); // what is typed in it stays
    if (begun) return begun.querySelectorAll("button").forEach((b) => { b.disabled = false; });
    this.room.replaceChildren(el("div", { class: "plan empty" }, el("h1", {}, say("Plan")),
      el("p", {}, say("No visit is planned in this folder yet. From the building's measures, the day and the kit in the bag come the light, where to stand, the settings and the field card.")),
      beginForm(this.house, () => this.house.ask("plan begin").then(() => true, () => false))));
  }

  troubled(words) {
    this.shell = null;
    this.room.replaceChildren(el("div", { class: "plan empty" }, el("h1", {}, say("Plan")),
      el("p", {}, say("This plan cannot be worked out as it stands:")), words.includes(", line ") ? null : el("p", { class: "trouble" }, words), this.text(true)));
  }

  // ---- what is there

  row(table, name) {
    return this.rows[table]?.find((r) => r.name === name);
  }

  isChosen(table, name) {
    return this.chosen?.table === table && this.chosen.name === name;
  }

  get axis() {
    return this.facts.axis;
  }

  get under() {
    return this.laid ?? this.facts.under;
  }

  get view() {
    return this.row("view", this.viewName) ?? this.rows.view[0];
  }

  clockAt(minutes) {
    const start = this.day.steps[0].seconds;
    const at = this.day.steps.reduce((a, s) => (Math.abs(s.seconds - start - 60 * minutes) < Math.abs(a.seconds - start - 60 * minutes) ? s : a));
    const more = Math.round(minutes - (at.seconds - start) / 60);
    const [h, m] = at.clock.split(":").map(Number);
    const all = (60 * h + m + more + 1440) % 1440;
    return `${String(Math.floor(all / 60)).padStart(2, "0")}:${String(all % 60).padStart(2, "0")}`;
  }

  // How much the sun sinks for a metre into the room through a window, at the hour shown; null where it does not shine.
  ray(w) {
    const now = this.day.steps[this.step];
    if (!this.shining.has(w.name)) return null;
    const turn = { east: 0, south: 90, west: 180, north: 270 };
    const faces = w.faces_deg ?? this.axis + turn[w.wall];
    const aside = Math.cos((now.azimuth - faces) * Math.PI / 180);
    return aside > 0.02 ? Math.tan(now.altitude * Math.PI / 180) / aside : null;
  }

  // ---- the page

  build() {
    this.map = new PlanMap(this);
    this.taken ??= new PlanTaken(this);
    this.section = new PlanSection(this);
    this.strip = new PlanStrip(this);
    this.form = new PlanNumbers(this);
    this.clock = el("output", { class: "clock", for: "time" });
    this.time = el("input", { type: "range", min: 0, max: 1, step: 1, id: "time", oninput: () => this.moveTo(Number(this.time.value)) });
    this.dates = el("select", { "aria-label": say("Day"), onchange: (e) => this.otherDay(e.target.value) });
    this.sunWords = el("p", { class: "quiet", "aria-live": "off" });
    this.live = el("dl", { class: "live", "aria-label": say("The view as it now stands") });
    this.liveHead = el("h2", {});
    this.canvas = el("canvas", { class: "seen", width: 10, height: 10, role: "img", "aria-label": say("The view as it would come out") });
    this.detail = el("div", { class: "detail" });
    this.side = el("div", { class: "day" });
    this.title = el("h1", {});
    this.lead = el("div", { class: "lead-words" });
    this.shell = el("div", { class: "plan" },
      el("div", { class: "ground" }, this.title, this.lead, this.map.node,
        el("div", { class: "row sun" }, el("label", { for: "time" }, say("Sun at")), this.clock, this.time, this.dates), this.sunWords,
        el("div", { class: "under-map" }, el("figure", {}, el("figcaption", {}, say("Section")), this.section.node), el("figure", {}, el("figcaption", {}, say("As it would come out")), this.canvas)),
        el("h2", {}, say("The sun's patch through the day")), this.strip.node, this.detail),
      el("div", { class: "beside" }, el("section", { class: "hand", "aria-live": "off" }, this.liveHead, this.live), this.form.node, this.side));
    this.room.replaceChildren(this.shell);
  }

  show() {
    const f = this.facts;
    if (!this.shell || !this.room.contains(this.shell)) this.build();
    this.rows = structuredClone(f.rows);
    if (!this.clicking) this.laid = null;
    if (this.pending) this.apply(this.pending);
    this.numbers = new Map();
    f.views.forEach((v, k) => this.numbers.set(v.station, [...(this.numbers.get(v.station) ?? []), k + 1]));
    this.title.textContent = f.title;
    this.lead.replaceChildren(el("p", { class: "quiet" }, say("{place}. Bag: {bag}.", { place: f.place, bag: told(f.bag) })), ...f.doubts.map((d) => el("p", { class: "care" }, told(d))));
    this.dates.replaceChildren(...f.dates.map((d) => el("option", { value: d, selected: d === this.day.date }, d)));
    this.dates.hidden = f.dates.length < 2;
    this.time.max = this.day.steps.length - 1;
    if (this.wanted && !this.chosen) this.reveal(this.wanted);
    this.wanted = null;
    if (this.chosen && !this.row(this.chosen.table, this.chosen.name)) this.chosen = null;
    const fresh = this.step === null;
    if (!this.row("view", this.viewName)) this.viewName = f.views[0]?.name ?? this.rows.view[0]?.name ?? null;
    this.sides();
    this.moveTo(Math.min(this.step ?? this.start(), this.day.steps.length - 1));
    this.redraw();
    if (this.viewName) this.toView(this.viewName, fresh);
  }

  redraw() {
    this.map.draw();
    this.section.draw();
    this.strip.draw();
    this.form.draw();
    this.map.sight(this.seen);
  }

  sides() {
    const f = this.facts;
    const views = el("ol", { class: "order" }, ...f.views.map((v, k) => this.item(v, k + 1)));
    const missing = Object.entries(f.missing).map(([name, why]) => el("p", { class: "quiet" }, say("{name} is not possible: {why}.", { name, why: told(why) })));
    this.side.replaceChildren(el("h2", {}, say("The day")), views, ...missing, el("h2", {}, say("The bag")), this.bags(), el("h2", {}, say("Field card")), this.card(), ...this.care(), this.text(false));
    this.marks();
  }

  item(view, number) {
    const words = [told(view.settings), view.room ? say("{share} of the frame left", { share: percent(view.room) }) : "", view.light ? "" : say("Not the light you wanted")];
    return el("li", {}, button(`${number}  ${view.clock ? `${view.clock}  ` : ""}${view.name}`, () => this.toView(view.name, true, true), { "data-view": view.name, "aria-pressed": "false" }),
      el("p", { class: "quiet" }, words.filter(Boolean).join(". ")), view.why ? el("p", { class: "why" }, told(view.why)) : "", view.note ? el("p", { class: "why" }, `${view.station}: ${view.note}`) : "");
  }

  bags() {
    const head = el("tr", {}, el("th", { scope: "col" }, say("Bag")), el("th", { scope: "col" }, say("Views possible")),
      el("th", { scope: "col" }, say("Limited or not possible")));
    return el("table", {}, el("thead", {}, head), el("tbody", {}, ...this.facts.bags.map((b) =>
      el("tr", {}, el("td", {}, b.name), el("td", {}, percent(b.share)),
        el("td", {}, Object.entries(b.outcome).filter(([, how]) => how !== "possible").map(([name, how]) => `${name} (${told(how)})`).join(", ") || say("none"))))));
  }

  care() {
    const f = this.facts;
    return [el("h2", {}, say("House rules")), el("p", { class: "care" }, told(f.staff)), el("ul", {}, ...f.rules.map((rule) => el("li", {}, rule))),
      el("h2", {}, say("Take care")), el("ul", {}, ...f.care.map(([topic, words]) => el("li", {}, el("b", {}, `${told(topic)}: `), told(words))))];
  }

  card() {
    const links = this.facts.card
      ? [["card.pdf", say("for print (A5)")], ["card-folded.pdf", say("on A4, to fold")], ["card.html", say("for the phone")], ["plan.html", say("the whole report")]].map(([name, words]) =>
        el("a", { href: `/kept/plan/${name}`, target: "_blank", rel: "noopener" }, words))
      : [];
    return el("div", { class: "row" }, button(this.facts.card ? say("Write the field card again") : say("Write the field card"),
      () => this.writeCard()), ...links, phoneButton(this.house));
  }

  // The text is one and the same while the page is drawn anew round it: what is being typed stays under the hand.
  text(open) {
    if (!this.desk) {
      this.desk = new TextDesk(this.house, "visit.toml", () => this.load());
      this.box = el("details", { open }, el("summary", {}, say("Edit the plan as text (visit.toml)")), this.desk.node);
      this.desk.ready.then(() => { if (this.desk.dirty) this.box.open = true; });
    }
    if (open) this.box.open = true;
    const { activeElement } = document;
    if (this.box.contains(activeElement)) {
      const { selectionStart: from, selectionEnd: to, scrollTop } = activeElement;
      queueMicrotask(() => {
        activeElement.focus();
        if (from !== undefined) activeElement.setSelectionRange(from, to);
        activeElement.scrollTop = scrollTop;
      });
    }
    return this.box;
  }

  // The axis from an outline, and a scanned plan under the map.
  outline() {
    this.picker ??= outlinePicker((west, east) => this.write([{ table: "place", name: "", set: { west_end_deg: west, east_end_deg: east } }]).catch(() => 0));
    return el("div", {}, this.taken.tools(), this.picker, scanTools(this));
  }

  // ---- the sun

  start() {
    const { steps } = this.day;
    const lit = steps.findIndex((s) => s.lit.length);
    const noon = steps.findIndex((s) => s.clock >= "12:00");
    return lit >= 0 ? lit : Math.max(0, noon);
  }

  moveTo(k) {
    this.step = Math.min(k, this.day.steps.length - 1);
    const now = this.day.steps[this.step];
    this.time.value = this.step;
    this.clock.textContent = now.clock;
    this.time.setAttribute("aria-valuetext", say("{clock}, sun {altitude}° above the horizon", { clock: now.clock, altitude: figure(now.altitude) }));
    this.shining = new Set(now.lit.map((l) => l.window));
    this.map.lit(now.lit);
    this.strip.tick();
    if (this.chosen?.table === "window") this.section.draw();
    const where = [...new Set(now.lit.filter((l) => l.face === "floor").map((l) => l.window))];
    const high = now.altitude > 0 ? say("The sun is {altitude}° above the horizon, bearing {azimuth}°.", { altitude: figure(now.altitude), azimuth: Math.round(now.azimuth) }) : say("The sun is down.");
    const through = { windows: together(this.shining) };
    const falls = this.shining.size ? ` ${where.length ? say("It comes through {windows} and reaches the floor.", through) : say("It comes through {windows}.", through)}` : "";
    this.sunWords.textContent = high + falls;
  }

  async otherDay(date) {
    this.date = date;
    const day = await this.house.ask("plan day", { date }).catch(() => null);
    if (date !== this.date || !this.shell) return;
    if (!day) {
      this.date = this.dates.value = this.day.date;
      return;
    }
    this.day = day;
    this.time.max = this.day.steps.length - 1;
    this.moveTo(this.step);
    this.strip.draw();
  }

  // ---- what is chosen

  choose(table, name) {
    this.chosen = table ? { table, name } : null;
    if (table === "view") this.toView(name, false);
    if (table === "station") {
      const shown = this.facts.views.find((v) => v.station === name && v.name === this.viewName) ?? this.facts.views.find((v) => v.station === name);
      const other = shown?.name ?? this.rows.view.find((v) => !v.stations.length || v.stations.includes(name))?.name;
      if (other) this.toView(other, false);
    }
    this.redraw();
  }

  reveal(name) {
    const table = ["view", "station", "window", "room"].find((t) => this.row(t, name));
    if (table) this.chosen = { table, name };
  }

  // The sun goes to where it stands when the view is to be taken.
  toView(name, withSun = true, asChosen = false) {
    this.viewName = name;
    if (asChosen) this.chosen = { table: "view", name };
    const planned = this.facts.views.find((v) => v.name === name);
    const at = planned ? this.day.steps.findIndex((s) => s.clock >= planned.clock) : -1;
    if (withSun && planned?.clock && at >= 0) this.moveTo(at);
    this.marks();
    const drawn = planned && !this.pending;
    this.detail.replaceChildren(...(drawn ? [el("h2", {}, planned.name), el("p", {}, `${told(planned.stand)}. ${told(planned.settings)}.`), ...planned.care.map((line) => el("p", { class: "care" }, told(line))),
      el("p", { class: "quiet" }, planned.good.length ? say("Good light: {good}", { good: planned.good.map(told).join(", ") }) : say("The light you wanted does not come while the building is free on this day")),
      el("div", { class: "paper" }, drawing(planned.drawing))] : []));
    if (asChosen) this.redraw();
    this.look();
  }

  marks() {
    this.side?.querySelectorAll(".order button").forEach((b) => b.setAttribute("aria-pressed", b.dataset.view === this.viewName));
  }

  along(step) {
    const views = this.facts?.views ?? [];
    const at = views.findIndex((v) => v.name === this.viewName);
    if (views[at + step]) this.toView(views[at + step].name, true, true);
  }

  // ---- moved by hand

  apply({ table, name, set }) {
    const row = this.row(table, name);
    if (!row) return;
    Object.assign(row, set);
    if (table === "window" && set.at_m) Object.assign(row, { wall: null, along_m: null });
  }

  // A change under the hand: drawn at once, looked at as fast as answers come, written when the hand lets go.
  moving(change) {
    const before = this.pending;
    const same = before && before.table === change.table && before.name === change.name;
    if (before && !same) this.settle();
    const known = this.facts.rows[change.table].find((r) => r.name === change.name) ?? {};
    const set = { ...(same ? before.set : {}), ...change.set };
    this.pending = { table: change.table, name: change.name, set, was: Object.fromEntries(Object.keys(set).map((k) => [k, known[k] ?? null])) };
    this.apply(this.pending);
    this.map.draw();
    this.map.sight(this.seen);
    this.section.draw();
    this.form.draw();
    this.look();
  }

  async settle(dropped = false) {
    this.settleSoon.cancel();
    const change = this.pending;
    if (!change) return;
    if (dropped) {
      this.pending = null;
      return this.asItWas();
    }
    await this.write([change]).catch(() => 0);
  }

  // Write changes into visit.toml; what is refused is shown as it was.
  write(changes) {
    const done = this.send(changes);
    this.written = done.catch(() => 0); // and all before it: the server writes in the order it is asked
    return done;
  }

  async send(changes) {
    const full = changes.map((c) => ({ ...c, was: c.was ?? this.wasOf(c) }));
    const takeBack = this.expect(full);
    const end = () => { if (changes.includes(this.pending)) this.pending = null; };
    try {
      await this.house.wire.ask("plan change", { changes: full, gesture: "" });
    } catch (problem) {
      takeBack();
      end();
      if (problem.conflict?.now) this.conflict(full, problem);
      else this.house.problem("plan change", told(problem.message));
      this.asItWas();
      throw problem;
    }
    this.house.solved("plan change");
    this.house.solved(this.asking(full));
    full.forEach((c) => this.renamed(c));
    end();
    this.house.lookAhead();
  }

  // What is asked for counts as known from then on: a change made before the answer builds on it, and is not taken for
  // another window's. Gives what takes that back. A new name counts once it is written: things are found by theirs.
  expect(changes) {
    const backs = changes.map(({ table, name, set }) => {
      const known = this.facts.rows[table]?.find((r) => r.name === name);
      if (!known || !set) return () => 0;
      const before = { ...known };
      const fields = { ...set, name, assumed: "" };
      Object.assign(known, fields);
      this.apply({ table, name, set: fields });
      return () => Object.keys(fields).forEach((k) => { if (known[k] === fields[k]) known[k] = before[k]; });
    });
    return () => backs.forEach((back) => back());
  }

  renamed({ table, name, set }) {
    if (!set?.name || !this.rows[table]) return;
    for (const rows of [this.rows, this.facts.rows]) {
      const known = rows[table].find((r) => r.name === name);
      if (known) known.name = set.name;
    }
  }

  // A movement that is not kept has changed what the page shows of the day as well: that is asked for anew.
  asItWas() {
    if (this.closed) return;
    if (this.shell) this.show();
    this.load();
  }

  // The matter of a question which of two windows' values to keep.
  asking(changes) {
    return `conflict plan ${changes.map((c) => `${c.table} ${c.name}`)}`;
  }

  // Another window set it otherwise meanwhile: both are shown, and one is chosen.
  conflict(changes, { message, conflict }) {
    const words = (values) => Object.entries(values).map(([name, v]) => `${told(name.replace(/_(m|deg)$/, "").replaceAll("_", " "))} ${JSON.stringify(v)}`).join(", ");
    const mine = changes.map((c) => ({ ...c, was: { ...c.was, ...conflict.now } }));
    const key = this.asking(changes);
    this.house.problem(key, `${told(message)}\n${say("Theirs: {theirs}.", { theirs: words(conflict.now) })} ${say("Yours: {yours}.", { yours: words(conflict.yours) })}`, [
      [say("Keep theirs"), () => { this.house.solved(key); this.load(); }],
      [say("Keep mine"), () => this.write(mine).catch(() => 0)]]);
  }

  wasOf({ table, name, set }) {
    if (!set) return undefined;
    const known = this.facts.rows[table]?.find((r) => r.name === name);
    return known ? Object.fromEntries(Object.keys(set).map((k) => [k, known[k] ?? null])) : undefined;
  }

  remove({ table, name }) {
    if (this.pending?.table === table && this.pending.name === name) this.pending = null;
    this.write([{ table, name, drop: true }]).then(() => { if (this.isChosen(table, name)) this.chosen = null; }, () => 0);
  }

  add(table) {
    const room = this.rows.room[0];
    const taken = new Set(this.rows[table].map((r) => r.name));
    let name = NEW[table]("");
    for (let k = 2; taken.has(name); k++) name = NEW[table](` ${k}`);
    const [x, y] = room.west_end_m;
    const middle = [x, Math.round(50 * (2 * y + room.length_m)) / 100];
    const first = {
      station: { at_m: middle },
      window: { room: room.name, wall: "south", along_m: middle[1] - y, width_m: 2, sill_m: Math.round(0.4 * room.height_m), head_m: Math.round(0.7 * room.height_m) },
      view: { room: room.name, centre_m: [x, y + room.length_m, Math.round(5 * room.height_m) / 10], width_m: Math.round(room.width_m / 2), height_m: Math.round(room.height_m / 2), on: "east", stations: [this.rows.station[0].name] },
      room: { length_m: 8, width_m: 6, height_m: 6, west_end_m: [Math.round(10 * (x + room.width_m / 2 + 3)) / 10, middle[1]] },
    }[table];
    this.wanted = name;
    this.write([{ table, name, set: first, was: {} }]).then(() => { this.chosen = null; this.wanted = name; }, () => 0);
  }

  // ---- looked at while moved: one question under way, then the newest

  changes() {
    return this.pending ? [{ table: this.pending.table, name: this.pending.name, set: this.pending.set }] : [];
  }

  look() {
    this.pictureSoon();
    const window = this.pending?.table === "window" ? this.pending.name : null;
    this.wish = { window, since: performance.now() };
    if (!this.looking) this.lookOn();
  }

  async lookOn() {
    this.looking = true;
    while (this.wish) {
      const { window, since } = this.wish;
      this.wish = null;
      const view = this.view;
      try {
        if (window) {
          const found = await this.house.wire.ask("plan window", { window, changes: this.changes(), date: this.day.date });
          if (this.pending?.name === window) this.windowSeen(window, found);
        } else if (view) {
          const found = await this.house.wire.ask("plan live", { view: view.name, changes: this.changes() });
          if (found.name === this.view?.name) this.lookSeen(found);
        }
        this.took.push(performance.now() - since);
        if (this.took.length > 60) this.took.shift();
      } catch (problem) {
        this.liveSaid(problem.message);
      }
    }
    this.looking = false;
  }

  windowSeen(name, found) {
    this.day.steps.forEach((step, k) => {
      step.lit = [...step.lit.filter((l) => l.window !== name), ...found.lit.filter((l) => l.step === k).map((l) => ({ ...l, window: name }))];
    });
    const { rows } = this.day.strips;
    rows.splice(rows.findIndex((r) => r.window === name), 1, found.strip);
    this.moveTo(this.step);
    this.strip.draw();
  }

  liveSaid(words) {
    this.liveHead.textContent = this.view?.name ?? "";
    this.live.replaceChildren(el("dt", {}, ""), el("dd", { class: "care" }, told(words)));
  }

  lookSeen(seen) {
    this.seen = seen;
    this.map.sight(seen);
    this.section.draw();
    if (seen.no) return this.liveSaid(seen.no);
    this.liveHead.textContent = seen.name;
    const lenses = seen.lenses.map((l) => el("span", { class: l.reaches ? "lens" : "lens short" }, `${l.lens}: ${told(l.said)}`));
    this.live.replaceChildren(...seen.lines.flatMap(([name, words]) => [el("dt", {}, told(name)), el("dd", {}, told(words))]), el("dt", {}, say("Lenses")), el("dd", {}, ...lenses));
  }

  // The picture, once the hand rests.
  async picture() {
    const view = this.view;
    if (!view || !this.shell) return;
    const latest = this.pictures();
    const planned = this.facts.views.find((v) => v.name === view.name);
    try {
      const bytes = await this.house.wire.ask("plan picture", { view: view.name, changes: this.changes(), seconds: planned?.when ?? this.day.steps[this.step].seconds });
      const bitmap = await createImageBitmap(new Blob([bytes], { type: "image/jpeg" }));
      if (!latest()) return;
      this.canvas.width = bitmap.width;
      this.canvas.height = bitmap.height;
      this.canvas.getContext("2d").drawImage(bitmap, 0, 0);
      this.canvas.setAttribute("aria-label", say("{name} as it would come out", { name: view.name }));
    } catch { // why is said with the look
      if (!latest()) return;
      this.canvas.getContext("2d").clearRect(0, 0, this.canvas.width, this.canvas.height); // another view's, or as it was
      this.canvas.setAttribute("aria-label", say("The view as it would come out"));
    }
  }

  // The card has all that the hand did before it asked for it.
  async writeCard() {
    this.settle();
    await this.written;
    await this.house.ask("plan write").catch(() => 0);
  }

  keys() {
    return [
      ["ArrowRight", say("ten minutes later"), () => this.shell && this.moveTo(Math.min(this.step + 1, this.day.steps.length - 1))],
      ["ArrowLeft", say("ten minutes earlier"), () => this.shell && this.moveTo(Math.max(this.step - 1, 0))],
      ["ArrowDown", say("next view"), () => this.along(1)],
      ["ArrowUp", say("previous view"), () => this.along(-1)],
      ["Escape", say("nothing chosen: the whole building"), () => this.shell && this.choose(null)],
      ["w", say("write the field card"), () => this.writeCard()],
    ];
  }
}
