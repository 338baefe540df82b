// Runs beside the page: passes the microphone's samples on as they come.
class Take extends AudioWorkletProcessor {
  process([input]) {
    if (input[0]) this.port.postMessage(input[0].slice());
    return true;
  }
}
registerProcessor("take", Take);
