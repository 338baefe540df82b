// The conversation with the server: questions with answers, events, and pictures as bytes.

const AGAIN_MS = [200, 500, 1000, 2000, 4000];

export class Wire {
  constructor() {
    this.number = 0;
    this.open = new Map();
    this.hearers = new Map();
    this.tries = 0;
    this.early = [];
    this.connect();
  }

  connect() {
    this.socket = new WebSocket(`ws://${location.host}/talk`);
    this.socket.binaryType = "arraybuffer";
    this.socket.onopen = () => {
      const again = this.tries > 0;
      this.tries = 0;
      for (const text of this.early.splice(0)) this.socket.send(text);
      this.tell("link", { up: true, again });
    };
    this.socket.onmessage = ({ data }) => (typeof data === "string" ? this.text(data) : this.bytes(data));
    this.socket.onclose = () => {
      for (const { reject } of this.open.values()) reject(new Error("The server stopped; what was done is kept."));
      this.open.clear();
      this.tell("link", { up: false });
      setTimeout(() => this.connect(), AGAIN_MS[Math.min(this.tries++, AGAIN_MS.length - 1)]);
    };
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
    if (message.error) asked.reject(new Error(message.error));
    else asked.resolve(message.result);
  }

  send(message) {
    const text = JSON.stringify(message);
    if (this.socket.readyState === WebSocket.OPEN) this.socket.send(text);
    else this.early.push(text);
  }

  ask(what, fields = {}) {
    const id = ++this.number;
    this.send({ id, do: what, ...fields });
    return new Promise((resolve, reject) => this.open.set(id, { resolve, reject }));
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
