// The axis by two clicks on the building's outline, and a scanned plan laid under the map by two clicks.

import { button, el, svg } from "./build.js";
import { say, told } from "./say.js";

// The outer ring of the first polygon anywhere in a GeoJSON document (RFC 7946), as [longitude, latitude].
export function firstRing(node) {
  if (!node || typeof node !== "object") return null;
  if (node.type === "Polygon") return node.coordinates?.[0] ?? null;
  if (node.type === "MultiPolygon") return node.coordinates?.[0]?.[0] ?? null;
  for (const child of [node.geometry, ...(node.features ?? []), ...(node.geometries ?? [])]) {
    const ring = firstRing(child);
    if (ring) return ring;
  }
  return null;
}

const read = (file) => file.text().then((text) => {
  const ring = firstRing(JSON.parse(text));
  if (!ring || ring.length < 4 || ring.some((p) => !(Math.abs(p[0]) <= 180 && Math.abs(p[1]) <= 90))) throw new Error("no outline");
  return ring.map((p) => [p[0], p[1]]);
});

// A form's part: an outline is opened, and its west end and its altar end are clicked; `onEnds(west, east)` hears of
// both as [latitude, longitude].
export function outlinePicker(onEnds) {
  const said = el("p", { class: "quiet", role: "status" }, say("Or open an outline exported from a map (GeoJSON), and click the middle of its west end, then that of its altar end."));
  const sheet = svg("svg", { class: "outline-sheet", role: "img", "aria-label": say("The building's outline, north up") });
  sheet.classList.add("hidden");
  const input = el("input", { type: "file", accept: ".geojson,.json,application/geo+json", "aria-label": say("Outline of the building, GeoJSON") });
  let place = null;
  let first = null;
  input.addEventListener("change", async () => {
    try {
      const ring = await read(input.files[0]);
      const north = ring.map((p) => p[1]);
      const east = ring.map((p) => p[0]);
      const squeeze = Math.cos(((Math.min(...north) + Math.max(...north)) / 2) * Math.PI / 180);
      const points = ring.map(([lon, lat]) => [(lon - east[0]) * squeeze * 111320, (north[0] - lat) * 111320]);
      const [xs, ys] = [0, 1].map((k) => points.map((p) => p[k]));
      const pad = 0.1 * Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys));
      const box = [Math.min(...xs) - pad, Math.min(...ys) - pad, Math.max(...xs) - Math.min(...xs) + 2 * pad, Math.max(...ys) - Math.min(...ys) + 2 * pad];
      sheet.setAttribute("viewBox", box.join(" "));
      const u = Math.max(box[2], box[3]) / 100;
      sheet.replaceChildren(svg("polygon", { points: points.map((p) => p.join(",")).join(" "), "stroke-width": 0.5 * u }), svg("g", { class: "picked" }),
        svg("text", { x: box[0] + box[2] - 3 * u, y: box[1] + 6 * u, "font-size": 5 * u, "text-anchor": "end" }, say("N ↑")));
      place = ([x, y]) => [north[0] - y / 111320, east[0] + x / 111320 / squeeze];
      first = null;
      sheet.classList.remove("hidden");
      said.textContent = say("Click the middle of the west end.");
    } catch {
      said.textContent = say("This file holds no outline in degrees of longitude and latitude; export the building's polygon as GeoJSON.");
    }
  });
  sheet.addEventListener("pointerdown", (event) => {
    if (!place) return;
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(sheet.getScreenCTM().inverse());
    const u = sheet.viewBox.baseVal.width / 100;
    sheet.querySelector(".picked").append(svg("circle", { cx: at.x, cy: at.y, r: 1.6 * u }));
    if (!first) {
      first = [at.x, at.y];
      said.textContent = say("Now the middle of the altar end.");
      return;
    }
    const ends = [place(first), place([at.x, at.y])].map((p) => p.map((v) => Math.round(v * 1e7) / 1e7));
    said.textContent = say("The axis runs between the two points.");
    first = null;
    sheet.querySelector(".picked").replaceChildren();
    onEnds(...ends);
  });
  return el("div", { class: "outline-pick" }, said, input, sheet);
}

// A scanned or photographed floor plan: opened, kept with the visit, then put in its place by two clicks on the map:
// the west end of the building's axis and its altar end.
export function scanTools(page) {
  const said = el("p", { class: "quiet", role: "status" });
  const input = el("input", { type: "file", accept: "image/*", hidden: true, "aria-label": say("A scanned floor plan") });
  const rooms = page.rows.room;
  const low = Math.min(...rooms.map((r) => r.west_end_m[1]));
  const high = Math.max(...rooms.map((r) => r.west_end_m[1] + r.length_m));
  input.addEventListener("change", async () => {
    const file = input.files[0];
    if (!file) return;
    said.textContent = say("Reading the picture");
    try {
      const answer = await fetch("/drawing", { method: "PUT", body: file });
      const kept = await answer.json();
      if (kept.error) throw new Error(kept.error);
      const [w, h] = kept.size;
      page.laid = { href: kept.href, size: kept.size, points_px: [[0, h / 2], [w, h / 2]], points_m: [[0, low], [0, high]] };
      page.map.draw();
      place(kept);
    } catch (problem) {
      said.textContent = told(problem.message);
    }
  });

  function place(kept) {
    const clicks = [];
    said.textContent = say("On the picture, click the west end of the axis, inside the wall.");
    page.clicking = ([right, along]) => {
      clicks.push(onPicture(page.under, [right, along]));
      if (clicks.length < 2) {
        said.textContent = say("Now the altar end of the axis.");
        return true;
      }
      page.clicking = null;
      const drawing = { file: kept.file, points_px: clicks, points_m: [[0, low], [0, high]] };
      page.write([{ table: "place", name: "", set: { drawing } }]).then(() => { said.textContent = ""; }, () => 0);
      return true;
    };
  }

  const tools = [button(page.under ? say("Lay another plan under") : say("Lay a scanned plan under"), () => input.click()), input];
  if (page.under?.file) {
    tools.push(button(say("Scale it anew"), () => place({ file: page.under.file })), button(say("Take it away"), () => page.write([{ table: "place", name: "", set: { drawing: null } }]).catch(() => 0)));
  }
  return el("div", { class: "scan" }, el("div", { class: "row" }, ...tools), said);
}

// A point of the map (right of the axis, along it) in pixels of the picture laid under.
function onPicture(under, [right, along]) {
  const [[ax, ay], [bx, by]] = under.points_px;
  const [[ar, aa], [br, ba]] = under.points_m;
  const p = [bx - ax, by - ay];
  const q = [ba - aa, br - ar];
  const m = [along - aa, right - ar];
  const n = q[0] ** 2 + q[1] ** 2;
  const [re, im] = [(m[0] * q[0] + m[1] * q[1]) / n, (m[1] * q[0] - m[0] * q[1]) / n];
  return [re * p[0] - im * p[1] + ax, re * p[1] + im * p[0] + ay].map((v) => Math.round(10 * v) / 10);
}
