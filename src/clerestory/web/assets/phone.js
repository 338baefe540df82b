// The field card handed to a phone: a QR code on the screen, for as long as asked, on the local net alone.

import { button, el, svg } from "./build.js";
import { few, say, told } from "./say.js";

const MINUTES = [10, 30, 60];

export function phoneButton(house) {
  return button(say("Hand it to a phone"), () => new Phone(house), { title: say("The card alone, on the local net, for some minutes") });
}

// A QR code as one drawing, dark on light as readers want it.
function drawn(rows) {
  const size = rows.length;
  const path = rows.flatMap((row, y) => [...row].map((c, x) => (c === "1" ? `M${x} ${y}h1v1h-1z` : ""))).join("");
  return svg("svg", { viewBox: `0 0 ${size} ${size}`, class: "qr", role: "img", "aria-label": say("QR code of the address below"), "shape-rendering": "crispEdges" },
    svg("rect", { width: size, height: size, fill: "#fff" }), svg("path", { d: path, fill: "#000" }));
}

class Phone {
  constructor(house) {
    this.house = house;
    this.place = el("div", { class: "qr-place" });
    this.words = el("p", { role: "status" });
    this.minutes = el("div", { class: "row", role: "group", "aria-label": say("For how long") }, ...MINUTES.map((m) => button(say("For {n} minutes", { n: m }), () => this.begin(m))));
    this.stop = button(say("Hand it out no longer"), () => this.house.ask("phone end").catch(() => 0), { hidden: true });
    this.dialog = el("dialog", { class: "phone", "aria-labelledby": "phone-title" }, el("h2", { id: "phone-title" }, say("The card for a phone")), this.place, this.words, this.minutes,
      el("div", { class: "row" }, this.stop, button(say("Close"), () => this.dialog.close())));
    this.off = [house.wire.on("phone", (facts) => this.show(facts)),
      house.wire.on("link", ({ up, again }) => up && again && this.look())]; // a server started anew hands nothing out
    this.clock = setInterval(() => this.tick(), 1000);
    this.dialog.addEventListener("close", () => {
      this.off.forEach((off) => off());
      clearInterval(this.clock);
      this.dialog.remove();
    });
    document.body.append(this.dialog);
    this.dialog.showModal();
    this.look();
  }

  look() {
    this.house.ask("phone").then((facts) => this.show(facts), () => this.dialog.close());
  }

  async begin(minutes) {
    try { this.show(await this.house.ask("phone begin", { minutes })); } catch (problem) { this.words.textContent = told(problem.message); }
  }

  show(facts) {
    this.facts = { ...facts, until: performance.now() + 1000 * (facts.left ?? 0) };
    this.place.replaceChildren(...(facts.on ? [drawn(facts.qr)] : []));
    this.minutes.hidden = facts.on;
    this.stop.hidden = !facts.on;
    if (facts.on) return this.tick();
    this.words.textContent = say("The phone reads a code from this screen and shows the card. Until then nothing is handed out. Phone and computer must be on one wireless net; whoever is on it and has the address can read the card, and nothing but the card. These pages themselves stay on this computer.");
  }

  tick() {
    const { on, until, net, address, read } = this.facts ?? {};
    if (!on) return;
    const left = Math.max(0, Math.round((until - performance.now()) / 1000));
    const times = read ? few("Read once.", "Read {n} times.", read) : say("Not read yet.");
    const time = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
    const text = `${say("Handed out on the net where this computer is {net}, for {time} more.", { net, time })} ${times}\n${address}\n${say("On the phone, save the page: inside thick walls there may be no net. If the phone finds nothing, it is on another net, or this computer's firewall refuses it.")}`;
    if (this.words.textContent !== text) this.words.textContent = text;
  }
}
