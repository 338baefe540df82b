// One of the visit's texts, to be written as such: with its mistakes, each at its line; with what another window saved
// meanwhile; with what was typed and never saved.

import { button, debounce, el } from "./build.js";
import { draftOf, dropDraft, keepDraft } from "./drafts.js";
import { LOCALE, say, told } from "./say.js";

const clock = (when) => new Date(when).toLocaleString(LOCALE, { dateStyle: "medium", timeStyle: "short" });

export class TextDesk {
  // `name` is the file's path in the visit; `saved()` hears that it was written.
  constructor(house, name, saved = () => 0) {
    this.house = house;
    this.name = name;
    this.saved = saved;
    this.base = { text: "", revision: "" };
    this.keepSoon = debounce(() => this.keep(), 300);
    this.area = el("textarea", { rows: 18, spellcheck: "false", "aria-label": name, wrap: "off", readonly: true, oninput: () => this.typed() });
    this.state = el("p", { class: "quiet state", role: "status" });
    this.list = el("ol", { class: "mistakes" });
    this.other = el("div", { class: "other", hidden: true });
    this.saveButton = button(say("Save"), () => this.save());
    this.backButton = button(say("Leave off and show what is saved"), () => this.leave(), { hidden: true });
    this.node = el("div", { class: "text-desk" }, this.list, this.other, this.area,
      el("div", { class: "row" }, this.saveButton, this.backButton, this.state));
    this.off = [house.wire.on("text", (facts) => facts.name === name && this.changedElsewhere(facts)),
      house.wire.on("link", ({ up, again }) => up && again && (this.unread ? this.load() : this.changedElsewhere({})))];
    this.ready = this.load();
  }

  close() {
    this.closed = true;
    this.keep();
    this.off.forEach((off) => off());
  }

  get dirty() {
    return this.area.value !== this.base.text;
  }

  async load() {
    this.unread = false;
    let facts;
    try {
      if (!this.house.visit.key) await this.house.refresh();
      facts = await this.house.ask("text", { name: this.name });
    } catch {
      this.unread = true;
      return;
    }
    this.base = facts;
    const draft = draftOf(this.house.visit.key, this.name);
    if (draft && draft.text !== facts.text) {
      this.area.value = draft.text;
      this.tell(say("Typed {when} and not saved yet.", { when: clock(draft.when) }));
      if (draft.based !== facts.revision) this.showOther(facts);
    } else {
      dropDraft(this.house.visit.key, this.name);
      this.area.value = facts.text;
      this.tell("");
    }
    this.area.readOnly = false; // not before: what was typed would be written over
    this.mistakes(facts.mistakes);
    this.buttons();
  }

  typed() {
    this.tell(say("Not saved yet; kept in this browser meanwhile."));
    this.buttons();
    this.keepSoon();
  }

  keep() {
    this.keepSoon.cancel();
    if (this.area.readOnly) return; // nothing is read yet: what was typed before stays kept
    if (this.dirty) keepDraft(this.house.visit.key, this.name, { text: this.area.value, based: this.base.revision });
    else dropDraft(this.house.visit.key, this.name);
  }

  tell(words) {
    this.state.textContent = words;
  }

  buttons() {
    this.saveButton.disabled = this.saving || !this.dirty;
    this.backButton.hidden = !this.dirty;
  }

  leave() {
    this.area.value = this.base.text;
    this.keep();
    this.tell("");
    this.hideOther();
    this.mistakes(this.base.mistakes ?? []);
    this.buttons();
  }

  async save() {
    const text = this.area.value;
    this.keep();
    this.tell(say("Saving"));
    this.saving = true; // one at a time: a second would be taken for another window's
    this.buttons();
    try {
      const done = await this.house.wire.ask("text save", { name: this.name, text, based: this.base.revision });
      this.base = { text, revision: done?.revision ?? (await this.house.ask("text", { name: this.name })).revision, mistakes: [] };
      this.hideOther();
      this.mistakes([]);
      this.keep();
      this.tell(this.dirty ? say("Not saved yet; kept in this browser meanwhile.") : say("Saved."));
      this.house.solved(this.name);
      this.saved();
    } catch (problem) {
      this.refused(problem);
    } finally {
      this.saving = false;
      this.buttons();
    }
  }

  refused(problem) {
    if (this.closed) this.house.problem(this.name, `${this.name}: ${say("Not saved; kept in this browser meanwhile.")}`, [this.house.textAction(this.name)]);
    this.tell(say("Not saved; kept in this browser meanwhile."));
    if (problem.conflict) {
      this.showOther(problem.conflict);
      this.tell(told(problem.message));
    } else if (problem.mistakes) this.mistakes(problem.mistakes);
    else this.mistakes([{ line: 0, place: "", what: problem.message }]);
  }

  // ---- saved in another window meanwhile

  async changedElsewhere({ revision }) {
    if (revision === this.base.revision) return;
    let facts;
    try {
      facts = await this.house.wire.ask("text", { name: this.name });
    } catch { return; }
    if (facts.revision === this.base.revision) return;
    if (facts.text === this.area.value || !this.dirty) {
      this.base = facts;
      this.area.value = facts.text;
      this.keep();
      this.tell("");
      this.hideOther();
      this.mistakes(facts.mistakes);
      this.buttons();
      return;
    }
    this.showOther(facts);
    this.tell(say("{name} was saved in another window meanwhile.", { name: this.name }));
  }

  showOther(facts) {
    const theirs = el("textarea", { rows: 10, readonly: true, wrap: "off", "aria-label": say("{name} as it is saved now", { name: this.name }), value: facts.text });
    this.other.hidden = false;
    this.other.replaceChildren(el("p", {}, say("Saved elsewhere meanwhile. Above: {name} as it is now. Below: what you wrote. Neither is lost.", { name: this.name })), theirs,
      el("div", { class: "row" },
        button(say("Save mine over it"), () => { this.base = facts; this.save(); }, { title: say("The other stays one undo away") }),
        button(say("Take the other"), () => this.take(facts), { title: say("What you wrote stays in the clipboard, where the browser allows it") })));
  }

  async take(facts) {
    await navigator.clipboard?.writeText(this.area.value).catch(() => 0);
    this.base = facts;
    this.leave();
  }

  hideOther() {
    this.other.hidden = true;
    this.other.replaceChildren();
  }

  // ---- mistakes

  mistakes(found) {
    this.list.hidden = !found.length;
    this.list.replaceChildren(...found.map((m) => el("li", {},
      m.line ? button(say("Line {line}", { line: m.line }), () => this.goTo(m.line)) : "", ` ${m.place ? `${m.place}: ` : ""}${told(m.what)}`)));
  }

  goTo(line) {
    const rows = this.area.value.split("\n");
    const from = rows.slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
    this.area.focus();
    this.area.setSelectionRange(from, from + (rows[line - 1] ?? "").length);
    const high = parseFloat(getComputedStyle(this.area).lineHeight) || 20;
    this.area.scrollTop = Math.max(0, (line - 4) * high);
  }
}
