// What is known of the visit as a whole: whether all agrees, what was learnt of hands and camera, the list of frames.

import { button, debounce, drawing, el, inTurn } from "./build.js";
import { released } from "./pressed.js";
import { few, figure, say, told } from "./say.js";

const HEADS = { name: say("frame"), view: say("view"), title: say("title"), time: say("time"), model: say("camera"), lens: say("lens"), focal_mm: say("focal length, mm"), seconds: say("shutter, s"),
  f_number: say("aperture, f/"), iso: "ISO", sharpness: say("sharpness"), clipped: say("clipped, share") };

const said = (value) => {
  if (value === null || value === undefined) return "";
  return typeof value === "number" ? figure(Number(value.toPrecision(3))) : String(value).replace(/^(\d{4}-\d\d-\d\d)T/, "$1 ");
};

export class Records {
  shows = inTurn();

  seeks = inTurn();

  constructor(porch, room) {
    this.porch = porch;
    this.lead = el("p", { class: "quiet" });
    this.checked = el("div", { role: "status" });
    this.learnt = el("div", { role: "status" });
    this.buttons = { check: button(say("Check the visit"), () => this.begin("check")), learn: button(say("Learn from its frames"), () => this.begin("learn")) };
    this.seek = el("input", { id: "seek", type: "search", placeholder: say("a view, a word, a lens, a day"), oninput: () => { this.links(); this.seekSoon(); } });
    this.seekSoon = debounce(() => this.catalogue(), 200);
    this.list = el("div", { class: "list", tabindex: 0, role: "region", "aria-label": say("Frames") });
    this.count = el("p", { class: "quiet", role: "status" });
    this.parts = el("div", {},
      el("section", {}, el("h2", {}, say("Does all agree?")),
        el("p", {}, say("Every original is read and compared with what it was when it came in; recipes, pictures and texts are looked through.")),
        this.buttons.check, this.checked),
      el("section", {}, el("h2", {}, say("Your hands and your camera")),
        el("p", {}, say("From the views that were taken several times: how steady your hands are, the noise of the camera, which lenses you use. The next plan can reckon with it.")),
        this.buttons.learn, this.learnt),
      el("section", {}, el("h2", {}, say("Every frame")),
        el("div", { class: "row seek" }, el("label", { for: "seek" }, say("Only those with")), this.seek,
          ...(this.saves = ["csv", "json"].map((form) => el("a", { download: true }, say("Save as {form}", { form: form.toUpperCase() }))))),
        this.count, this.list));
    room.append(el("div", { class: "records" }, el("h1", {}, say("Records")), this.lead, this.parts));
    porch.wire.on("record", (facts) => this.under(facts));
    porch.wire.on("record found", () => this.show());
  }

  drawn() {
    this.show();
  }

  visitChanged(visit) {
    if (this.at !== undefined && this.at !== (visit?.key ?? "")) this.show();
    this.at = visit?.key ?? "";
  }

  async show() {
    const latest = this.shows();
    const facts = await this.porch.ask("records");
    await released();
    if (!facts || !latest()) return;
    this.parts.hidden = !facts.there;
    this.lead.replaceChildren(...(facts.there ? [facts.title] : [el("a", { href: "/start" }, say("Open a visit")), say(" to see its records.")]));
    if (!facts.there) return;
    for (const [what, state] of Object.entries(facts.work)) this.under({ which: what, ...state });
    this.check(facts.found.check);
    this.learn(facts.found.learn, facts.page);
    this.catalogue();
  }

  begin(what) {
    this.porch.ask("record", { what });
  }

  under({ which: what, state, done, total, said: words }) {
    const name = what === "check" ? say("checking the visit") : say("learning from its frames");
    const step = state === "under way" && !total && done ? say("{name}: {done} files", { name, done }) : name;
    this.porch.bar(what, state === "under way" ? step : "", { done, total, stop: () => this.porch.ask("stop record", { what }) });
    this.buttons[what].disabled = state === "under way";
    if (state === "failed" || state === "stopped") this.porch.problem(what, told(words), [[say("Begin again"), () => this.begin(what)]]);
    else this.porch.solved(what);
  }

  check(found) {
    if (!found) return this.checked.replaceChildren();
    if (!found.rows.length) return this.checked.replaceChildren(el("p", { class: "well" }, say("Everything agrees.")));
    const grave = found.rows.filter((row) => row.grave).length;
    this.checked.replaceChildren(
      el("p", { class: "doubt" }, grave ? few("{n} thing to look at, {grave} of them with an original.", "{n} things to look at, {grave} of them with an original.", found.rows.length, { grave }) : few("{n} thing to look at.", "{n} things to look at.", found.rows.length)),
      el("div", { class: "list", tabindex: 0, role: "region", "aria-label": say("What to look at") }, el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, say("where")), el("th", { scope: "col" }, say("what, and what to do")), el("td", {}))),
        el("tbody", {}, ...found.rows.map((row) => el("tr", { class: row.grave ? "doubt" : "" }, el("td", {}, row.where), el("td", {}, told(row.what)),
          el("td", {}, row.to ? el("a", { href: row.to }, told(row.does)) : "")))))));
  }

  learn(found, page) {
    const lines = found ? [...found.lines.map((line) => el("p", {}, told(line))), ...found.failures.map((line) => el("p", { class: "doubt" }, told(line)))] : [];
    for (const [words, plot] of found?.plots ?? []) lines.push(el("h3", {}, told(words)), el("div", { class: "plot", tabindex: 0, role: "region", "aria-label": told(words) }, drawing(plot)));
    for (const { title, said: words, rows } of found?.planned ?? []) {
      lines.push(el("h3", {}, say("Planned and measured: {title}", { title })), words ? el("p", {}, told(words)) : "", rows.length ? this.planned(rows)
        : el("p", { class: "quiet" }, say("No view could be matched with a planned one: give the views the plan's names as titles, with Words on Sort.")));
    }
    if (page) lines.push(el("p", {}, el("a", { href: "/records/learned.html", target: "_blank", rel: "noopener" }, say("The page with its plots"))));
    if (found) lines.push(el("p", { class: "quiet" }, say("For the next plan: write learned = \"{toml}\" under [hands] in its visit.toml.", { toml: found.toml })));
    this.learnt.replaceChildren(...lines);
  }

  // Each view of the plan that frames were taken for: what was planned, and below it what was done.
  planned(rows) {
    const heads = [say("view"), "", say("settings"), say("sharp frames"), say("light")];
    const line = (name, kind, { settings, sharp, light }) => el("tr", { class: name ? "first" : "" }, el("td", {}, name), el("td", { class: "quiet" }, kind), el("td", {}, told(settings)), el("td", {}, told(sharp)), el("td", {}, told(light)));
    return el("div", { class: "list whole", tabindex: 0, role: "region", "aria-label": say("Planned and measured") }, el("table", {}, el("thead", {}, el("tr", {}, ...heads.map((h) => (h ? el("th", { scope: "col" }, h) : el("td", {}))))),
      el("tbody", {}, ...rows.flatMap((row) => [line(row.view, say("planned"), row.planned), line("", say("taken"), row.taken)]))));
  }

  async catalogue() {
    this.links();
    const latest = this.seeks();
    const found = await this.porch.ask("catalogue", { having: this.having });
    if (!found || !latest()) return;
    this.frames = found;
    this.table();
  }

  get having() {
    return this.seek.value.trim();
  }

  // What is saved are the frames asked for, whether the list shows them already or not.
  links() {
    this.saves.forEach((a, i) => { a.href = `/records/catalogue.${["csv", "json"][i]}${this.having ? `?having=${encodeURIComponent(this.having)}` : ""}`; });
  }

  table() {
    const { columns, rows, found, of } = this.frames ?? { columns: [], rows: [], found: 0, of: 0 };
    const used = columns.map((_, i) => rows.some((row) => row[i] !== ""));
    this.count.textContent = of ? say("{found} of {of} frames", { found, of }) + (found > rows.length ? say(", the first {n} shown", { n: rows.length }) : "") : say("No frame yet.");
    this.list.replaceChildren(...(rows.length ? [el("table", {}, el("thead", {}, el("tr", {}, ...columns.filter((_, i) => used[i]).map((c) => el("th", { scope: "col" }, HEADS[c])))),
      el("tbody", {}, ...rows.map((row) => el("tr", {}, ...row.filter((_, i) => used[i]).map((cell) => el("td", {}, said(cell)))))))] : []));
  }
}
