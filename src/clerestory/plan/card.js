"use strict";
// The formulas are those of the program: exposure by ISO 2720 with K = 12.5, depth of field by Ray, steadiness as a logistic.
const kit = JSON.parse(document.getElementById("kit").textContent);
const by = (id) => document.getElementById(id);
const F = [1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22];
const T = [8000, 6400, 5000, 4000, 3200, 2500, 2000, 1600, 1250, 1000, 800, 640, 500, 400, 320, 250, 200, 160, 125, 100,
  80, 60, 50, 40, 30, 25, 20, 15, 13, 10, 8, 6, 5, 4, 3.2, 2.5, 2, 1.6, 1.3, 1, 0.8, 0.6, 0.5, 0.4, 0.3, 0.25];
const S = [100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400];
// A mark stands for an exact third of a stop.
const exactF = (n) => 2 ** (Math.round(Math.log2(n) * 6) / 6);
const exactT = (n) => 2 ** (-Math.round(Math.log2(n) * 3) / 3);
const exactS = (s) => 100 * 2 ** (Math.round(Math.log2(s / 100) * 3) / 3);
const timeLabel = (t) => {
  if (t > 0.36) return (t < 9.5 ? t.toFixed(1) : t.toFixed(0)) + " s";
  const m = T.reduce((a, b) => Math.abs(Math.log2(a * t)) < Math.abs(Math.log2(b * t)) ? a : b);
  return Math.abs(Math.log2(m * t)) < 0.34 ? "1/" + m : "1/" + Math.round(1 / t);
};
const metres = (d) => !isFinite(d) ? "infinity" : d < 20 ? d.toFixed(1) + " m" : d.toFixed(0) + " m";
const fill = (id, values, label, start) => {
  for (const v of values) by(id).add(new Option(label(v), v, v === start, v === start));
};
const fLabel = (n) => "f/" + n, tLabel = (n) => n >= 2.5 ? "1/" + n : (1 / n).toFixed(1) + " s", plain = (s) => String(s);
fill("f0", F, fLabel, 4); fill("f1", F, fLabel, 4); fill("f2", F, fLabel, 5.6);
fill("t0", T, tLabel, 15); fill("t1", T, tLabel, 15);
fill("s0", S, plain, 800); fill("s1", S, plain, 800);
fill("held", [3, 2.7, 2.3, 2, 1.7, 1.3, 1, 0.7, 0.3, 0, -0.3, -0.7, -1, -1.3, -1.7, -2, -2.3, -2.7, -3, -3.3, -3.7, -4, -5],
  (s) => s > 0 ? "+" + s : s < 0 ? "−" + -s : "0", 0);
fill("merge", [1, 2, 3, 4, 6, 8, 12, 16], plain, 1);
by("focal").value = by("focal2").value = kit.focal;
by("distance").value = 10;

function exposure() {
  const n0 = exactF(+by("f0").value), t0 = exactT(+by("t0").value), s0 = exactS(+by("s0").value);
  const n1 = exactF(+by("f1").value), s1 = exactS(+by("s1").value), stops = Math.round(+by("held").value * 3) / 3;
  const t1 = t0 * (n1 / n0) ** 2 * (s0 / s1) * 2 ** stops;
  by("time").textContent = timeLabel(t1);
  by("luminance").textContent = "metered surface " + (12.5 * n0 * n0 / (t0 * s0)).toPrecision(2) + " cd/m²";
}
function focus() {
  const f = +by("focal").value, n = exactF(+by("f2").value), s = +by("distance").value;
  if (!(f > 0 && s > f / 1000)) { by("depth").textContent = "give mm and m"; by("hyperfocal").textContent = ""; return; }
  const h = (f * f / (n * kit.coc) + f) / 1000, m = f / 1000;
  const near = s * (h - m) / (h + s - 2 * m), far = s >= h ? Infinity : s * (h - m) / (h - s);
  by("depth").textContent = metres(near) + " to " + metres(far);
  by("hyperfocal").textContent = "hyperfocal " + metres(h);
}
function chanceOf(t, focal) {
  const same = focal * Math.hypot(36, 24) / Math.hypot(...kit.sensor);
  const half = 2 ** (kit.t0 + kit.stops) / same;
  return 1 / (1 + Math.exp(Math.min(Math.max(Math.log2(t / half) / kit.slope, -60), 60)));
}
function needed(sharp, p) {
  for (let n = sharp; n <= 500; n++) {
    let few = 0, c = 1;
    for (let k = 0; k < sharp; k++) { few += c * p ** k * (1 - p) ** (n - k); c = c * (n - k) / (k + 1); }
    if (1 - few >= 0.95) return n;
  }
  return null;
}
function frames() {
  const focal = +by("focal2").value, merge = +by("merge").value;
  if (!(focal > 0)) { by("frames").textContent = "give mm"; by("chance").textContent = ""; return; }
  const p = chanceOf(exactT(+by("t1").value), focal), n = needed(merge, p);
  by("frames").textContent = n === null ? "too slow by hand" : n + (n === 1 ? " frame" : " frames");
  by("chance").textContent = (100 * Math.min(p, 0.999)).toFixed(0) + " % of frames sharp";
}
for (const [ids, run] of [[["f0", "t0", "s0", "f1", "s1", "held"], exposure], [["focal", "f2", "distance"], focus],
  [["t1", "focal2", "merge"], frames]]) {
  for (const id of ids) by(id).addEventListener("input", run);
  run();
}
// The view whose time it is now is marked.
function mark() {
  const now = Date.now() / 1000;
  for (const d of document.querySelectorAll("details[data-start]")) {
    d.classList.toggle("now", now >= +d.dataset.start && now < +d.dataset.end);
  }
}
mark();
setInterval(mark, 30000);
