// The plan page: the building from above with the sun moving through it, the views in the day's order, the card.

import { button, drawing, el, percent, svg } from "./build.js";
import { phoneButton } from "./phone.js";
import { TextDesk } from "./text.js";

export class Plan {
  constructor(house, room) {
    this.house = house;
    this.room = room;
    this.step = null;
    this.chosen = null;
    this.off = [house.wire.on("plan", () => this.load())];
    this.desk = null;
    room.append(el("div", { class: "plan" }, el("h1", {}, "Plan"), el("p", { class: "quiet" }, "Reading the plan")));
    this.load();
  }

  close() {
    this.off.forEach((off) => off());
    this.desk?.close();
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
      facts = await this.house.ask("plan");
    } catch { return; }
    if (!this.room.querySelector(".plan")) return;
    this.facts = facts;
    this.day = facts.day;
    if (!facts.there) this.none();
    else if (facts.trouble) this.troubled(facts.trouble);
    else this.show();
  }

  none() {
    this.room.replaceChildren(el("div", { class: "plan empty" }, el("h1", {}, "Plan"),
      el("p", {}, "No visit is planned in this folder yet. A plan says where the building stands, its rooms and windows, the views you want and the kit in the bag; from it come the light, where to stand, the settings and the field card."),
      button("Begin from the worked example", () => this.house.ask("plan begin").catch(() => 0))));
  }

  troubled(words) {
    this.room.replaceChildren(el("div", { class: "plan empty" }, el("h1", {}, "Plan"),
      el("p", {}, "This plan cannot be worked out as it stands:"), words.includes(", line ") ? null : el("p", { class: "trouble" }, words), this.text(true)));
  }

  // ---- the page

  show() {
    const f = this.facts;
    this.map = svg("svg", { class: "map", role: "img", "aria-label": `${f.place} from above, altar to the right` });
    this.clock = el("output", { class: "clock", for: "time" });
    this.sunWords = el("p", { class: "quiet" });
    this.time = el("input", { type: "range", id: "time", min: 0, max: f.day.steps.length - 1, step: 1,
      oninput: () => this.moveTo(Number(this.time.value)) });
    const dates = el("select", { "aria-label": "Day", onchange: () => this.otherDay(dates.value) },
      ...[...new Set(f.dates)].map((d) => el("option", { value: d }, d)));
    this.detail = el("section", { class: "detail", "aria-live": "polite" });
    const views = el("ol", { class: "order" }, ...f.views.map((v) => this.item(v)));
    const doubts = (f.doubts ?? []).map((asked) => el("p", { class: "care" }, asked));
    const missing = Object.entries(f.missing).map(([name, why]) => el("p", { class: "quiet" }, `Not possible: ${name} (${why})`));
    this.room.replaceChildren(el("div", { class: "plan" },
      el("div", { class: "ground" }, el("h1", {}, f.title), el("p", { class: "quiet" }, `${f.place}. Bag: ${f.bag}.`), ...doubts, this.map,
        el("div", { class: "row sun" }, el("label", { for: "time" }, "Sun at"), this.clock, this.time, dates), this.sunWords, this.detail),
      el("div", { class: "day" }, el("h2", {}, "The day"), views, ...missing, el("h2", {}, "The bag"), this.bags(), el("h2", {}, "Field card"), this.card(), ...this.care(), this.text(false))));
    this.draw();
    const fresh = this.step === null;
    this.moveTo(this.step ?? this.start());
    if (f.views.length) this.choose(this.chosen ?? f.views[0].name, fresh);
  }

  item(view) {
    const words = [view.settings, view.room ? `${percent(view.room)} of the frame left` : "", view.light ? "" : "Not the light you wanted"];
    return el("li", {}, button("", () => this.choose(view.name), { "data-view": view.name, "aria-pressed": "false" }),
      el("p", { class: "quiet" }, words.filter(Boolean).join(". ")));
  }

  bags() {
    const head = el("tr", {}, el("th", { scope: "col" }, "Bag"), el("th", { scope: "col" }, "Views possible"),
      el("th", { scope: "col" }, "Limited or not possible"));
    return el("table", {}, el("thead", {}, head), el("tbody", {}, ...this.facts.bags.map((b) =>
      el("tr", {}, el("td", {}, b.name), el("td", {}, percent(b.share)),
        el("td", {}, Object.entries(b.outcome).filter(([, how]) => how !== "possible").map(([name, how]) => `${name} (${how})`).join(", ") || "none")))));
  }

  care() {
    const f = this.facts;
    return [el("h2", {}, "House rules"), el("p", { class: "care" }, f.staff), el("ul", {}, ...f.rules.map((rule) => el("li", {}, rule))),
      el("h2", {}, "Take care"), el("ul", {}, ...f.care.map(([topic, words]) => el("li", {}, el("b", {}, `${topic}: `), words)))];
  }

  card() {
    const links = this.facts.card
      ? [["card.pdf", "for print (A5)"], ["card.html", "for the phone"], ["plan.html", "the whole report"]].map(([name, words]) =>
        el("a", { href: `/kept/plan/${name}`, target: "_blank", rel: "noopener" }, words))
      : [];
    return el("div", { class: "row" }, button(this.facts.card ? "Write the field card again" : "Write the field card",
      () => this.house.ask("plan write").catch(() => 0)), ...links, phoneButton(this.house));
  }

  // The text is one and the same while the page is drawn anew round it: what is being typed stays under the hand.
  text(open) {
    if (!this.desk) {
      this.desk = new TextDesk(this.house, "visit.toml", () => this.load());
      this.box = el("details", { open }, el("summary", {}, "Edit the plan as text (visit.toml)"), this.desk.node);
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

  // ---- the drawing: y along the building to the right, x (right of the axis) downwards

  draw() {
    const { halls } = this.facts;
    const ys = halls.flatMap((h) => h.y);
    const xs = halls.flatMap((h) => h.x);
    const [y0, y1, x0, x1] = [Math.min(...ys), Math.max(...ys), Math.min(...xs), Math.max(...xs)];
    const pad = 0.04 * (y1 - y0);
    this.unit = (y1 - y0) / 100;
    this.bounds = [y0 - pad, x0 - pad, y1 + pad, x1 + pad];
    const rooms = halls.map((h) => svg("rect", { x: h.y[0], y: h.x[0], width: h.y[1] - h.y[0], height: h.x[1] - h.x[0], class: "hall" },
      svg("title", {}, h.name)));
    this.light = svg("g", { class: "lit" });
    this.glass = svg("g");
    this.sight = svg("g", { class: "sight" });
    const stations = this.facts.stations.map((s) => svg("g", { class: "station" },
      svg("circle", { cx: s.at[1], cy: s.at[0], r: 0.9 * this.unit }),
      svg("text", { x: s.at[1] + 1.6 * this.unit, y: s.at[0] + 0.7 * this.unit, "font-size": 2.1 * this.unit }, s.name), svg("title", {}, `${s.name}: ${s.views.join(", ")}`)));
    const [left, top, right, foot] = this.bounds;
    this.map.setAttribute("viewBox", `${left} ${top} ${right - left} ${foot - top}`);
    this.map.replaceChildren(...rooms, this.light, this.sight, this.glass, ...stations);
  }

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
    this.time.setAttribute("aria-valuetext", `${now.clock}, sun ${now.altitude}° above the horizon`);
    const shining = new Set(now.lit.map((l) => l.window));
    this.light.replaceChildren(...now.lit.map((l) => svg("polygon", { points: l.corners.map((c) => `${c[1]},${c[0]}`).join(" "),
      class: l.face === "floor" ? "patch" : "wall" })));
    this.glass.replaceChildren(...this.facts.windows.map((w) => svg("line", { x1: w.ends[0][1], y1: w.ends[0][0], x2: w.ends[1][1], y2: w.ends[1][0],
      class: shining.has(w.name) ? "window sunlit" : "window" }, svg("title", {}, `${w.name}; sun ${w.sun.join(", ") || "none this day"}`))));
    const where = [...new Set(now.lit.filter((l) => l.face === "floor").map((l) => l.window))];
    const high = now.altitude > 0 ? `The sun is ${now.altitude}° above the horizon, bearing ${Math.round(now.azimuth)}°.` : "The sun is down.";
    const falls = shining.size ? ` It comes through ${[...shining].join(", ")}${where.length ? " and reaches the floor" : ""}.` : "";
    this.sunWords.textContent = high + falls;
  }

  async otherDay(date) {
    this.day = await this.house.ask("plan day", { date });
    this.moveTo(this.step);
  }

  // The sun goes to where it stands when the view is to be taken.
  choose(name, withSun = true) {
    this.chosen = name;
    const view = this.facts.views.find((v) => v.name === name) ?? this.facts.views[0];
    this.room.querySelectorAll(".order button").forEach((b) => {
      const v = this.facts.views.find((one) => one.name === b.dataset.view);
      b.textContent = `${v.clock ? `${v.clock}  ` : ""}${v.name}`;
      b.setAttribute("aria-pressed", b.dataset.view === view.name);
    });
    const at = this.day.steps.findIndex((s) => s.clock >= view.clock);
    if (withSun && view.clock && at >= 0) this.moveTo(at);
    const far = 1.15 * view.distance;
    const ends = view.sides.map(([x, y]) => {
      const n = Math.hypot(x, y) || 1;
      return [view.eye[1] + (far * y) / n, view.eye[0] + (far * x) / n];
    });
    // The whole angle of view is shown, also where it reaches through a wall.
    const points = [...ends, [view.eye[1], view.eye[0]], ...view.subject.map((p) => [p[1], p[0]])];
    const [left, right] = [0, 1].map((k) => points.map((p) => p[k]));
    const least = [Math.min(this.bounds[0], ...left), Math.min(this.bounds[1], ...right)];
    const most = [Math.max(this.bounds[2], ...left), Math.max(this.bounds[3], ...right)];
    this.map.setAttribute("viewBox", `${least[0]} ${least[1]} ${most[0] - least[0]} ${most[1] - least[1]}`);
    this.sight.replaceChildren(
      svg("polygon", { points: `${view.eye[1]},${view.eye[0]} ${ends.map((e) => e.join(",")).join(" ")}` }),
      svg("polyline", { points: view.subject.map((p) => `${p[1]},${p[0]}`).join(" ") }),
      svg("circle", { cx: view.eye[1], cy: view.eye[0], r: 1.1 * this.unit }));
    this.detail.replaceChildren(el("h2", {}, view.name), el("p", {}, `${view.stand}. ${view.settings}.`), ...view.care.map((line) => el("p", { class: "care" }, line)),
      el("p", { class: "quiet" }, view.good.length ? `Good light: ${view.good.join(", ")}` : "The light you wanted does not come while the building is free on this day"),
      el("div", { class: "paper" }, drawing(view.drawing)));
  }

  keys() {
    return [
      ["ArrowRight", "ten minutes later", () => this.time && this.moveTo(Math.min(this.step + 1, this.day.steps.length - 1))],
      ["ArrowLeft", "ten minutes earlier", () => this.time && this.moveTo(Math.max(this.step - 1, 0))],
      ["ArrowDown", "next view", () => this.along(1)],
      ["ArrowUp", "previous view", () => this.along(-1)],
      ["w", "write the field card", () => this.house.ask("plan write").catch(() => 0)],
    ];
  }

  along(step) {
    const views = this.facts?.views ?? [];
    const at = views.findIndex((v) => v.name === this.chosen);
    if (views[at + step]) this.choose(views[at + step].name);
  }
}
