// The picture at any scale, from fitted to 200 %, and over it the proof: the very pixels that will be saved, drawn
// from tiles as soon as they are there. Lengths are CSS pixels; `zoom` is screen pixels to a pixel of the picture.

import { el } from "./build.js";

const TILE = 512;
const COARSEST = 5;
const MOST = 2;
const STEP = 1.25; // of a key or a button
const HELD = 120; // tiles kept
const SNAP = 0.05; // how near to 100 % a turn of the wheel stops there

export class Scale {
  // `changed()` hears of another scale or another state of the proof, `lost()` of a tile that did not come.
  constructor(stage, sheet, changed, lost) {
    Object.assign(this, { stage, sheet, changed, lost, size: [0, 0], zoom: null, at: [0.5, 0.5], proof: null, state: "" });
    this.canvas = el("canvas", { class: "proof", "aria-hidden": "true", hidden: true });
    this.tiles = new Map();
    this.fingers = new Map();
    stage.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    stage.addEventListener("pointerdown", (e) => this.down(e));
    stage.addEventListener("pointermove", (e) => this.move(e));
    for (const end of ["pointerup", "pointercancel"]) stage.addEventListener(end, (e) => this.up(e));
    stage.addEventListener("keydown", (e) => this.key(e));
  }

  // ---- scale and place

  get fine() {
    return window.devicePixelRatio || 1;
  }

  fitting() {
    const box = this.stage.getBoundingClientRect();
    return Math.min(box.width / this.size[0], box.height / this.size[1]);
  }

  layout() {
    const box = this.stage.getBoundingClientRect();
    const least = this.fitting();
    if (!Number.isFinite(least) || least <= 0) return;
    const scale = this.zoom === null ? least : this.zoom / this.fine;
    const [w, h] = this.size.map((v) => v * scale);
    const place = (room, length, k) => {
      if (length <= room) return (room - length) / 2;
      const from = Math.min(0, Math.max(room - length, room / 2 - this.at[k] * length));
      this.at[k] = (room / 2 - from) / length;
      return from;
    };
    const even = (v) => Math.round(v * this.fine) / this.fine;
    this.left = even(place(box.width, w, 0));
    this.top = even(place(box.height, h, 1));
    this.scale = scale;
    Object.assign(this.sheet.style, { left: `${this.left}px`, top: `${this.top}px`, width: `${w}px`, height: `${h}px` });
    this.stage.classList.toggle("near", w > box.width + 1 || h > box.height + 1);
    this.draw();
    this.changed();
  }

  // The picture's longer side as shown, in CSS pixels; 0 where nothing is shown yet. Asks the page for no layout.
  get across() {
    return Math.max(...this.size) * (this.scale ?? 0);
  }

  // To a zoom (null: fitted), a place of the stage (shares of the picture) kept where it is.
  to(zoom, about = null) {
    const least = this.fitting() * this.fine;
    const wanted = zoom === null || zoom <= least * 1.001 ? null : Math.min(zoom, MOST);
    if (about) {
      const box = this.stage.getBoundingClientRect();
      const scale = (wanted ?? least) / this.fine;
      const [x, y] = about.share;
      this.at = [x + (box.width / 2 - about.x) / (this.size[0] * scale), y + (box.height / 2 - about.y) / (this.size[1] * scale)];
    }
    this.zoom = wanted;
    this.layout();
  }

  // Fitted to 100 % about a place (shares of the picture), and back.
  swap(share) {
    if (this.zoom !== null) return this.to(null);
    this.at = [...(share ?? [0.5, 0.5])];
    return this.to(1);
  }

  step(way) {
    const now = this.zoom ?? this.fitting() * this.fine;
    this.to(this.stopped(now, now * STEP ** way));
  }

  // A zoom that does not pass 100 % without stopping there.
  stopped(from, to) {
    return (from < 1 - 1e-6 && to > 1) || (from > 1 + 1e-6 && to < 1) || Math.abs(to - 1) < SNAP ? 1 : to;
  }

  about(x, y) {
    const box = this.stage.getBoundingClientRect();
    const [px, py] = [x - box.left, y - box.top];
    return { x: px, y: py, share: [(px - this.left) / (this.size[0] * this.scale), (py - this.top) / (this.size[1] * this.scale)] };
  }

  wheel(event) {
    if (!this.scale) return;
    event.preventDefault();
    const turn = event.deltaY * (event.deltaMode === 1 ? 16 : 1) * (event.ctrlKey ? 4 : 1);
    const now = this.zoom ?? this.fitting() * this.fine;
    const wanted = now * 2 ** (-turn / 400);
    this.to(now === 1 ? wanted : this.stopped(now, wanted), this.about(event.clientX, event.clientY));
  }

  down(event) {
    if (event.target.closest(".edge, .lines.on, .places.on, .trim")) return;
    this.fingers.set(event.pointerId, [event.clientX, event.clientY]);
    if (this.fingers.size === 1 && this.zoom === null) return;
    this.stage.setPointerCapture(event.pointerId);
    this.stage.classList.add("held");
  }

  move(event) {
    const was = this.fingers.get(event.pointerId);
    if (!was) return;
    const others = [...this.fingers].filter(([id]) => id !== event.pointerId).map(([, p]) => p);
    this.fingers.set(event.pointerId, [event.clientX, event.clientY]);
    if (others.length) {
      const apart = ([x, y]) => Math.hypot(x - others[0][0], y - others[0][1]);
      const middle = this.about((event.clientX + others[0][0]) / 2, (event.clientY + others[0][1]) / 2);
      const now = this.zoom ?? this.fitting() * this.fine;
      this.to(now * (apart([event.clientX, event.clientY]) / Math.max(apart(was), 1)), middle);
    } else if (this.zoom !== null) {
      this.shift(was[0] - event.clientX, was[1] - event.clientY);
    }
  }

  up(event) {
    this.fingers.delete(event.pointerId);
    if (!this.fingers.size) this.stage.classList.remove("held");
  }

  shift(x, y) {
    this.at = [this.at[0] + x / (this.size[0] * this.scale), this.at[1] + y / (this.size[1] * this.scale)];
    this.layout();
  }

  key(event) {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way || event.target !== this.stage || this.zoom === null) return;
    event.preventDefault();
    event.stopPropagation();
    const far = event.shiftKey ? 400 : 60;
    this.shift(way[0] * far, way[1] * far);
  }

  words() {
    const zoom = this.zoom ?? this.fitting() * this.fine;
    return Number.isFinite(zoom) ? `${Math.round(100 * zoom)} %` : "";
  }

  // ---- the proof

  // What is shown is no longer what would be saved.
  stale() {
    this.proof = null;
    this.canvas.hidden = true;
    this.became("quick");
  }

  prove({ key, size }) {
    if (this.proof?.key === key) return;
    this.proof = { key, size };
    this.size = size;
    for (const [name, tile] of this.tiles) if (!name.startsWith(`${key}/`)) this.drop(name, tile);
    this.layout();
  }

  drop(name, tile) {
    tile.then?.((bitmap) => bitmap?.close());
    this.tiles.delete(name);
  }

  became(state) {
    if (this.state === state) return;
    this.state = state;
    this.changed();
  }

  tile(...at) {
    const name = `${this.proof.key}/${at.join("/")}`;
    let tile = this.tiles.get(name);
    if (!tile) {
      tile = fetch(`/proof/${name}`).then((r) => (r.ok ? r.blob() : Promise.reject(r))).then(createImageBitmap);
      tile.then((bitmap) => { tile.bitmap = bitmap; this.draw(); }, () => {
        this.tiles.delete(name);
        if (this.proof && name.startsWith(`${this.proof.key}/`)) this.lost();
      });
      this.tiles.set(name, tile);
      if (this.tiles.size > HELD) this.drop(...this.tiles.entries().next().value);
    }
    return tile.bitmap;
  }

  // The part that is seen, tile by tile, nearest the middle first; what is not there yet shows the quick picture.
  draw() {
    if (!this.proof || !this.scale) return;
    const box = this.stage.getBoundingClientRect();
    const [w, h] = this.size.map((v) => v * this.scale);
    const [x0, y0] = [Math.max(0, -this.left), Math.max(0, -this.top)];
    const [x1, y1] = [Math.min(w, box.width - this.left), Math.min(h, box.height - this.top)];
    if (x1 <= x0 || y1 <= y0) return;
    const fine = this.fine;
    const { canvas } = this;
    Object.assign(canvas.style, { left: `${x0}px`, top: `${y0}px`, width: `${x1 - x0}px`, height: `${y1 - y0}px` });
    [canvas.width, canvas.height] = [Math.round((x1 - x0) * fine), Math.round((y1 - y0) * fine)];
    const pen = canvas.getContext("2d");
    const zoom = this.scale * fine; // screen pixels to one of the picture
    if (this.zoom === null && zoom < 1) { // averaged down by the server, exactly to the screen's pixels
      const bitmap = this.tile("fitted", canvas.width, canvas.height);
      if (bitmap) pen.drawImage(bitmap, 0, 0);
      canvas.hidden = !bitmap;
      this.became(bitmap ? "proof" : "coming");
      return;
    }
    const level = Math.max(0, Math.min(COARSEST, Math.floor(Math.log2(1 / zoom) + 0.02)));
    const wide = TILE * 2 ** level;
    const [fromX, fromY] = [x0 / this.scale, y0 / this.scale];
    const wanted = [];
    for (let row = Math.floor(fromY / wide); row * wide < y1 / this.scale; row++) {
      for (let column = Math.floor(fromX / wide); column * wide < x1 / this.scale; column++) {
        if (row * wide < this.proof.size[1] && column * wide < this.proof.size[0]) wanted.push([column, row]);
      }
    }
    const [mx, my] = [(fromX + x1 / this.scale) / 2 / wide - 0.5, (fromY + y1 / this.scale) / 2 / wide - 0.5];
    wanted.sort((a, b) => Math.hypot(a[0] - mx, a[1] - my) - Math.hypot(b[0] - mx, b[1] - my));
    pen.imageSmoothingEnabled = zoom < 1;
    pen.imageSmoothingQuality = "high";
    let missing = 0;
    for (const [column, row] of wanted) {
      const bitmap = this.tile(level, column, row);
      if (!bitmap) { missing += 1; continue; }
      const k = 2 ** level;
      const [x, y] = [column * wide - fromX, row * wide - fromY].map((v) => v * zoom);
      pen.drawImage(bitmap, x, y, bitmap.width * k * zoom, bitmap.height * k * zoom);
    }
    canvas.hidden = false;
    this.became(missing ? "coming" : "proof");
  }
}
