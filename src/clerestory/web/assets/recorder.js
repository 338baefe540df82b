// A narration take from the microphone, as 16-bit mono WAV.

import { say } from "./say.js";

const RATE = 48000;

export class Recorder {
  // `level(peak)` hears the loudest sample of each block, 0 to 1.
  constructor(level) {
    this.level = level;
    this.blocks = [];
  }

  async start() {
    const plain = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
    this.stream = await navigator.mediaDevices.getUserMedia({ audio: plain });
    this.context = new AudioContext({ sampleRate: RATE });
    await this.context.audioWorklet.addModule("/assets/take.js");
    this.node = new AudioWorkletNode(this.context, "take");
    this.node.port.onmessage = ({ data }) => {
      this.blocks.push(data);
      this.level(data.reduce((most, v) => Math.max(most, Math.abs(v)), 0));
    };
    this.context.createMediaStreamSource(this.stream).connect(this.node);
    await this.context.resume();
  }

  get seconds() {
    return this.blocks.reduce((sum, b) => sum + b.length, 0) / RATE;
  }

  async stop() {
    this.stream?.getTracks().forEach((t) => t.stop());
    await this.context?.close();
    return wave(this.blocks);
  }
}

// Keeps a recording beside the film, named after its picture; {kept} or {error}.
export async function keep(picture, data) {
  const stem = picture.toLowerCase().replace(/\.[^.]+$/, "").replace(/[^a-z0-9_-]+/g, "-").replace(/^[^a-z0-9]+/, "").slice(0, 50);
  const name = `${stem || "shot"}-${Date.now().toString(36)}.wav`;
  const failed = { error: say("The recording could not be saved.") };
  const answer = await fetch(`/take/${name}`, { method: "PUT", body: data }).catch(() => null);
  return (await answer?.json().catch(() => failed)) ?? failed;
}

function wave(blocks) {
  const count = blocks.reduce((sum, b) => sum + b.length, 0);
  const view = new DataView(new ArrayBuffer(44 + 2 * count));
  const text = (at, words) => [...words].forEach((c, i) => view.setUint8(at + i, c.charCodeAt(0)));
  text(0, "RIFF");
  view.setUint32(4, 36 + 2 * count, true);
  text(8, "WAVEfmt ");
  view.setUint32(16, 16, true);
  view.setUint16(20, 1, true);
  view.setUint16(22, 1, true);
  view.setUint32(24, RATE, true);
  view.setUint32(28, 2 * RATE, true);
  view.setUint16(32, 2, true);
  view.setUint16(34, 16, true);
  text(36, "data");
  view.setUint32(40, 2 * count, true);
  let at = 44;
  for (const block of blocks) {
    for (const v of block) {
      view.setInt16(at, Math.max(-32768, Math.min(32767, Math.round(v * 32767))), true);
      at += 2;
    }
  }
  return new Uint8Array(view.buffer);
}
