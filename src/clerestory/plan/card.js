"use strict";
// The formulas are those of the program: exposure by ISO 2720 with K = 12.5, depth of field by Ray, steadiness as a logistic.
const kit = JSON.parse(document.getElementById("kit").textContent);
const by = (id) => document.getElementById(id);
// The marks are the program's: a label, and the exact third of a stop that it stands for.
const { f: F, t: T, s: S } = kit.marks;
const far = (a, b) => Math.abs(Math.log2(a / b));
const timeLabel = (t) => t > 33 ? t.toFixed(0) + " s" : T.reduce((a, b) => far(a[1], t) < far(b[1], t) ? a : b)[0];
const said = (words) => kit.words[words];
const metres = (d) => !isFinite(d) ? said("infinity") : d < 20 ? d.toFixed(1).replace(".", kit.point) + " m" : d.toFixed(0) + " m";
const fill = (id, marks, start) => {
  for (const [label, exact] of marks) by(id).add(new Option(label, exact, label === start, label === start));
};
const count = (n) => [String(n), n];
for (const [id, start] of [["f0", "f/4"], ["f1", "f/4"], ["f2", "f/5.6"]]) fill(id, F, start);
for (const id of ["t0", "t1"]) fill(id, T, "1/15");
for (const id of ["s0", "s1"]) fill(id, S, "800");
fill("held", [3, 2.7, 2.3, 2, 1.7, 1.3, 1, 0.7, 0.3, 0, -0.3, -0.7, -1, -1.3, -1.7, -2, -2.3, -2.7, -3, -3.3, -3.7, -4, -5]
  .map((s) => [s > 0 ? "+" + s : s < 0 ? "−" + -s : "0", s]), "0");
fill("merge", [1, 2, 3, 4, 6, 8, 12, 16].map(count), "1");
by("focal").value = by("focal2").value = kit.focal;
by("distance").value = 10;

function exposure() {
  const n0 = +by("f0").value, t0 = +by("t0").value, s0 = +by("s0").value;
  const n1 = +by("f1").value, s1 = +by("s1").value, stops = Math.round(+by("held").value * 3) / 3;
  const t1 = t0 * (n1 / n0) ** 2 * (s0 / s1) * 2 ** stops;
  by("time").textContent = timeLabel(t1);
  by("luminance").textContent = said("metered on") + " " + (12.5 * n0 * n0 / (t0 * s0)).toPrecision(2) + " cd/m²";
}
function focus() {
  const f = +by("focal").value, n = +by("f2").value, s = +by("distance").value;
  if (!(f > 0 && s > f / 1000)) { by("depth").textContent = said("enter mm and m"); by("hyperfocal").textContent = ""; return; }
  const h = (f * f / (n * kit.coc) + f) / 1000, m = f / 1000;
  const near = s * (h - m) / (h + s - 2 * m), far = s >= h ? Infinity : s * (h - m) / (h - s);
  by("depth").textContent = metres(near) + " " + said("to") + " " + metres(far);
  by("hyperfocal").textContent = said("hyperfocal") + " " + metres(h);
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
  if (!(focal > 0)) { by("frames").textContent = said("enter mm"); by("chance").textContent = ""; return; }
  const p = chanceOf(+by("t1").value, focal), n = needed(merge, p);
  by("frames").textContent = n === null ? said("too slow by hand") : said("take") + " " + n + " " + said(n === 1 ? "frame" : "frames");
  by("chance").textContent = said("chance of sharp") + " " + (100 * Math.min(p, 0.99)).toFixed(0) + " %";
}
for (const [ids, run] of [[["f0", "t0", "s0", "f1", "s1", "held"], exposure], [["focal", "f2", "distance"], focus],
  [["t1", "focal2", "merge"], frames]]) {
  for (const id of ids) by(id).addEventListener("input", run);
  run();
}
// The view whose time it is now is marked.
function mark() {
  const now = Date.now() / 1000;
  for (const d of document.querySelectorAll("[data-start]")) {
    d.classList.toggle("now", now >= +d.dataset.start && now < +d.dataset.end);
  }
}
mark();
setInterval(mark, 30000);

// Ticks, notes and the night light stay on this phone; where it keeps nothing they last as long as the page.
const kept = (() => {
  const place = "field card " + kit.visit + " ";
  const read = (name) => { try { return localStorage.getItem(place + name); } catch { return null; } };
  const write = (name, value) => { try { localStorage.setItem(place + name, value); } catch { /* for this page only */ } };
  return { read, write };
})();
const all = [...document.querySelectorAll("[data-keep]")];
for (const box of all) {
  const before = kept.read(box.dataset.keep);
  const tick = box.type === "checkbox";
  if (before !== null) {
    if (tick) box.checked = before === "yes";
    else box.value = before;
  }
  box.addEventListener("input", () => {
    kept.write(box.dataset.keep, tick ? (box.checked ? "yes" : "no") : box.value);
    for (const other of all) if (tick && other.dataset.keep === box.dataset.keep) other.checked = box.checked;
  });
}
function night(on) {
  document.documentElement.classList.toggle("night", on);
  by("dim").setAttribute("aria-pressed", on);
}
night(kept.read("night light") === "yes");
by("dim").addEventListener("click", () => {
  const on = !document.documentElement.classList.contains("night");
  night(on);
  kept.write("night light", on ? "yes" : "no");
});
