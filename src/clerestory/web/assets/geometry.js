// The camera model as the server has it, so that a line being dragged moves the picture at once.
// Angles are radians; matrices are arrays of nine, row by row.

export const mul = (a, b) => {
  const out = new Array(9);
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < 3; j++) out[3 * i + j] = a[3 * i] * b[j] + a[3 * i + 1] * b[3 + j] + a[3 * i + 2] * b[6 + j];
  }
  return out;
};

export const transpose = (m) => [m[0], m[3], m[6], m[1], m[4], m[7], m[2], m[5], m[8]];

export const inverse = (m) => {
  const [a, b, c, d, e, f, g, h, i] = m;
  const out = [e * i - f * h, c * h - b * i, b * f - c * e, f * g - d * i, a * i - c * g, c * d - a * f,
    d * h - e * g, b * g - a * h, a * e - b * d];
  const det = a * out[0] + b * out[3] + c * out[6];
  return out.map((v) => v / det);
};

export const apply = (m, [x, y]) => {
  const w = m[6] * x + m[7] * y + m[8];
  return [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w];
};

const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const unit = (v) => {
  const n = Math.hypot(...v);
  return v.map((x) => x / n);
};

// World to camera: rows are the camera's right, down and forward.
export const pose = (pitch, roll, yaw = 0) => {
  const [cy, sy, cp, sp] = [Math.cos(yaw), Math.sin(yaw), Math.cos(pitch), Math.sin(pitch)];
  const [cr, sr] = [Math.cos(roll), Math.sin(roll)];
  const forward = [sy * cp, cy * cp, sp];
  const right = [cy, -sy, 0];
  const down = cross(forward, right);
  const mix = (a, b) => right.map((r, k) => a * r + b * down[k]);
  return [...mix(cr, sr), ...mix(-sr, cr), ...forward];
};

// Camera axes to the straightened picture's axes.
export const straightened = ({ pitch, roll, plumb, swing }) => {
  if (plumb <= 0 && swing === 0) return [1, 0, 0, 0, 1, 0, 0, 0, 1];
  const left = plumb <= 0 ? roll : 0;
  return mul(pose(pitch * (1 - plumb), left, swing), transpose(pose(pitch, roll)));
};

export const lens = (camera) => [camera.focal, 0, camera.cx, 0, camera.focal, camera.cy, 0, 0, 1];

export const homography = (rectification, camera) =>
  mul(mul(lens(camera), straightened(rectification)), inverse(lens(camera)));

// Lens distortion: DNG specification, WarpRectilinear.
export const recorded = ([px, py], camera, { radial, tangential, centre }) => {
  const [w, h] = [camera.width - 1, camera.height - 1];
  const [cx, cy] = [centre[0] * w, centre[1] * h];
  const reach = Math.hypot(Math.max(cx, w - cx), Math.max(cy, h - cy));
  const [x, y] = [(px - cx) / reach, (py - cy) / reach];
  const r2 = x * x + y * y;
  let f = 0;
  for (let k = radial.length - 1; k >= 0; k--) f = f * r2 + radial[k];
  const [t0, t1] = tangential;
  return [(x * f + t0 * 2 * x * y + t1 * (r2 + 2 * x * x)) * reach + cx,
    (y * f + t1 * 2 * x * y + t0 * (r2 + 2 * y * y)) * reach + cy];
};

export const ideal = (point, camera, glass) => {
  let guess = point;
  for (let round = 0; round < 12; round++) {
    const there = recorded(guess, camera, glass);
    guess = [guess[0] + point[0] - there[0], guess[1] + point[1] - there[1]];
  }
  return guess;
};

// The vertical that vertical lines ask for: the direction that lies best in all their planes. Lines are pairs of
// ideal points. With one line, the nearest direction to `now` in its plane.
export const vertical = (lines, camera, now) => {
  const ray = ([x, y]) => [(x - camera.cx) / camera.focal, (y - camera.cy) / camera.focal, 1];
  const normals = lines.map(([a, b]) => unit(cross(ray(a), ray(b))));
  let up = now;
  if (normals.length === 1) {
    const n = normals[0];
    const off = n[0] * now[0] + n[1] * now[1] + n[2] * now[2];
    up = unit(now.map((v, k) => v - off * n[k]));
  } else {
    const sum = [1e-9, 0, 0, 0, 1e-9, 0, 0, 0, 1e-9];
    for (const n of normals) for (let i = 0; i < 9; i++) sum[i] += n[Math.floor(i / 3)] * n[i % 3];
    const back = inverse(sum);
    for (let round = 0; round < 8; round++) {
      up = unit([0, 3, 6].map((r) => back[r] * up[0] + back[r + 1] * up[1] + back[r + 2] * up[2]));
    }
  }
  return up[1] > 0 ? up.map((v) => -v) : up;
};

export const pitchRoll = (up) => [Math.asin(Math.max(-1, Math.min(1, up[2]))), Math.atan2(-up[0], -up[1])];

export const upOf = (pitch, roll) =>
  [-Math.cos(pitch) * Math.sin(roll), -Math.cos(pitch) * Math.cos(roll), Math.sin(pitch)];

// One preview's geometry: frame shares to preview pixels and back.
export class Sheet {
  constructor(facts) {
    this.facts = facts;
    this.camera = facts.camera;
    this.glass = facts.lens;
    this.h = homography(facts.rectification, facts.camera);
    const [left, top, width] = facts.room;
    const step = width / facts.size[0];
    this.paper = [1 / step, 0, -left / step, 0, 1 / step, -top / step, 0, 0, 1];
    this.whole = mul(this.paper, this.h);
    this.back = inverse(this.whole);
  }

  idealOf([sx, sy]) {
    return ideal([sx * this.camera.width - 0.5, sy * this.camera.height - 0.5], this.camera, this.glass);
  }

  toPaper(share) {
    return apply(this.whole, this.idealOf(share));
  }

  toShare(point) {
    const [x, y] = recorded(apply(this.back, point), this.camera, this.glass);
    return [(x + 0.5) / this.camera.width, (y + 0.5) / this.camera.height];
  }

  // Preview pixels to one on the screen, where a layer lies over the preview.
  scaleOn(layer) {
    return this.facts.size[0] / (layer.getBoundingClientRect().width || this.facts.size[0]);
  }

  // The preview pixel under a pointer.
  placeOn(layer, event) {
    const box = layer.getBoundingClientRect();
    return [(event.clientX - box.left) * this.scaleOn(layer), (event.clientY - box.top) * this.scaleOn(layer)];
  }

  // Where the building's vertical through a preview pixel crosses two heights of the preview.
  plumbLine([x, y], above, below) {
    const { pitch, roll } = this.facts.rectification;
    const m = mul(this.whole, lens(this.camera));
    const [a, b, c] = upOf(pitch, roll);
    const far = [0, 3, 6].map((r) => m[r] * a + m[r + 1] * b + m[r + 2] * c);
    const way = [far[0] - x * far[2], far[1] - y * far[2]];
    return [above, below].map((at) => [x + (way[0] / way[1]) * (at - y), at]);
  }

  // From this preview's pixels to those of the same frame straightened otherwise, the middle kept in its place.
  warpTo(rectification) {
    const other = mul(this.paper, homography(rectification, this.camera));
    const raw = mul(other, this.back);
    const middle = [this.facts.size[0] / 2, this.facts.size[1] / 2];
    const moved = apply(raw, middle);
    return mul([1, 0, middle[0] - moved[0], 0, 1, middle[1] - moved[1], 0, 0, 1], raw);
  }
}

// A homography of pixels shown `scale` times as large, as CSS has it.
export const css = (m, scale) => {
  const s = mul(mul([scale, 0, 0, 0, scale, 0, 0, 0, 1], m), [1 / scale, 0, 0, 0, 1 / scale, 0, 0, 0, 1]);
  const n = s.map((v) => v / s[8]);
  return `matrix3d(${[n[0], n[3], 0, n[6], n[1], n[4], 0, n[7], 0, 0, 1, 0, n[2], n[5], 0, 1].join(",")})`;
};
