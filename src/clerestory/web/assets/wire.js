// The conversation with the server: questions with answers, events, and pictures as bytes.

const ANOTHER = 4001; // the server's word for: another visit is open now, or none
const AGAIN_MS = [200, 500, 1000, 2000, 4000];
// What changes the visit: asked again, under the same key, when the server went before it answered. The server knows
// by the key what it has done already, so that nothing is done twice.
const CHANGES = new Set(["set", "copy", "version keep", "version take", "version drop", "set keep", "set put", "step back to", "undo", "redo", "split", "join", "pick", "leave out", "bring back", "say words", "text save", "text drop", "plan begin", "plan change", "plan church", "exports keep", "exports drop",
  "film draft", "film shot", "film title", "film move", "film drop"]);
const TAB = Math.random().toString(36).slice(2) + Date.now().toString(36);

export class Wire {
  // `path`: where the server listens; `visit`: the key of the visit that this page shows, once it is known.
  constructor(path = "/talk") {
    this.path = path;
    this.visit = "";
    this.number = 0;
    this.open = new Map();
    this.hearers = new Map();
    this.tries = 0;
    this.connect();
  }

  connect() {
    this.socket = new WebSocket(`ws://${location.host}${this.path}${this.visit ? `?visit=${this.visit}` : ""}`);
    this.socket.binaryType = "arraybuffer";
    this.socket.onopen = () => this.opened();
    this.socket.onmessage = ({ data }) => (typeof data === "string" ? this.text(data) : this.bytes(data));
    this.socket.onclose = ({ code }) => (code === ANOTHER ? this.tell("link", { another: true }) : this.closed());
  }

  opened() {
    const again = this.tries > 0;
    this.tries = 0;
    let resent = 0;
    for (const asked of this.open.values()) {
      if (asked.sent) resent += 1;
      asked.sent = true;
      this.socket.send(asked.text);
    }
    this.tell("link", { up: true, again, resent });
  }

  // Changes wait for the server to come back; questions are answered that it is gone.
  closed() {
    for (const [id, asked] of this.open) {
      if (asked.change || !asked.sent) continue;
      this.open.delete(id);
      asked.reject(Object.assign(new Error("The server has stopped."), { gone: true }));
    }
    this.tell("link", { up: false, tries: this.tries, waiting: [...this.open.values()].filter((a) => a.change).length });
    setTimeout(() => this.connect(), AGAIN_MS[Math.min(this.tries++, AGAIN_MS.length - 1)]);
  }

  text(data) {
    const message = JSON.parse(data);
    if (message.event) this.tell(message.event, message);
    else this.answer(message.id, message);
  }

  bytes(data) {
    const length = new DataView(data).getUint32(0);
    const header = JSON.parse(new TextDecoder().decode(new Uint8Array(data, 4, length)));
    const rest = new Uint8Array(data, 4 + length);
    if (header.event) this.tell(header.event, header, rest);
    else this.answer(header.id, { result: rest });
  }

  answer(id, message) {
    const asked = this.open.get(id);
    if (!asked) return;
    this.open.delete(id);
    if (message.error) asked.reject(Object.assign(new Error(message.error), { conflict: message.conflict, mistakes: message.mistakes }));
    else asked.resolve(message.result);
  }

  // Said without waiting for an answer; only what is said while the server listens matters.
  send(message) {
    if (this.socket.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }

  ask(what, fields = {}) {
    const id = ++this.number;
    const change = CHANGES.has(what);
    const text = JSON.stringify({ id, do: what, ...fields, ...(change ? { key: `${TAB}-${id}` } : {}) });
    return new Promise((resolve, reject) => {
      const sent = this.socket.readyState === WebSocket.OPEN;
      this.open.set(id, { resolve, reject, change, text, sent });
      if (sent) this.socket.send(text);
    });
  }

  on(event, hearer) {
    if (!this.hearers.has(event)) this.hearers.set(event, new Set());
    this.hearers.get(event).add(hearer);
    return () => this.hearers.get(event).delete(hearer);
  }

  tell(event, ...facts) {
    for (const hearer of this.hearers.get(event) ?? []) hearer(...facts);
  }
}
