// Shapes in photo pixels: polygon, ellipse, rectangle, line. Plain objects, never changed in place.

const ELLIPSE_SIDES = 72;
// Python tests an ellipse by a 72-gon of equal area, whose corners lie this much outside it.
const ELLIPSE_MARGIN = 1.001;
export const MIN_AREA = 9; // px, as in fieldmarks.measure.region

const round2 = (v) => Math.round(v * 100) / 100;
const clamp = (v, low, high) => Math.min(Math.max(v, low), high);

/** Corner points for drawing and hit tests; a line has two. */
export function outline(shape) {
  if (shape.kind === "polygon" || shape.kind === "line") return shape.points;
  if (shape.kind === "rectangle") {
    const { x, y, width: w, height: h } = shape;
    return [[x, y], [x + w, y], [x + w, y + h], [x, y + h]];
  }
  return Array.from({ length: ELLIPSE_SIDES }, (_, i) => {
    const t = (2 * Math.PI * i) / ELLIPSE_SIDES;
    return fromAxes(shape, Math.cos(t), Math.sin(t));
  });
}

/** A point of an ellipse from shares of its two radii. */
function fromAxes({ cx, cy, rx, ry, angle }, u, v) {
  const turn = (angle * Math.PI) / 180;
  const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
  return [cx + u * rx * cos - v * ry * sin, cy + u * rx * sin + v * ry * cos];
}

/** Smallest upright box: {x0, y0, x1, y1}. */
export function boxOf(points) {
  const xs = points.map((p) => p[0]);
  const ys = points.map((p) => p[1]);
  return { x0: Math.min(...xs), y0: Math.min(...ys), x1: Math.max(...xs), y1: Math.max(...ys) };
}

/** Area by the shoelace formula, always positive. */
export function areaOf(points) {
  let sum = 0;
  for (let i = 0; i < points.length; i++) {
    const [x1, y1] = points[i];
    const [x2, y2] = points[(i + 1) % points.length];
    sum += x1 * y2 - x2 * y1;
  }
  return Math.abs(sum) / 2;
}

/** Even-odd rule. */
export function holds(points, [x, y]) {
  let inside = false;
  for (let i = 0, j = points.length - 1; i < points.length; j = i++) {
    const [xi, yi] = points[i];
    const [xj, yj] = points[j];
    if (yi > y !== yj > y && x < ((xj - xi) * (y - yi)) / (yj - yi) + xi) inside = !inside;
  }
  return inside;
}

/** Distance from a point to the straight piece a-b. */
export function distanceTo(p, a, b) {
  const dx = b[0] - a[0];
  const dy = b[1] - a[1];
  const long = dx * dx + dy * dy;
  const t = long ? clamp(((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / long, 0, 1) : 0;
  return Math.hypot(p[0] - a[0] - t * dx, p[1] - a[1] - t * dy);
}

export function mapPoints(shape, change) {
  return { ...shape, points: shape.points.map(change) };
}

export function shifted(shape, dx, dy) {
  if (shape.kind === "ellipse") return { ...shape, cx: shape.cx + dx, cy: shape.cy + dy };
  if (shape.kind === "rectangle") return { ...shape, x: shape.x + dx, y: shape.y + dy };
  return mapPoints(shape, ([x, y]) => [x + dx, y + dy]);
}

export function scaled(shape, factor) {
  if (shape.kind === "ellipse") {
    return { ...shape, rx: Math.max(shape.rx * factor, 2), ry: Math.max(shape.ry * factor, 2) };
  }
  const { x0, y0, x1, y1 } = boxOf(outline(shape));
  const [mx, my] = [(x0 + x1) / 2, (y0 + y1) / 2];
  if (shape.kind === "rectangle") {
    const w = Math.max(shape.width * factor, 3);
    const h = Math.max(shape.height * factor, 3);
    return { ...shape, x: mx - w / 2, y: my - h / 2, width: w, height: h };
  }
  return mapPoints(shape, ([x, y]) => [mx + (x - mx) * factor, my + (y - my) * factor]);
}

/** Slides a shape back over the photo, cutting only what cannot fit. */
export function keptInside(shape, [w, h]) {
  let inside = shape;
  if (shape.kind === "ellipse") inside = fittingEllipse(shape, w, h);
  else {
    const box = boxOf(outline(shape));
    const dx = box.x0 < 0 ? -box.x0 : Math.min(0, w - box.x1);
    const dy = box.y0 < 0 ? -box.y0 : Math.min(0, h - box.y1);
    inside = clampedTo(shifted(shape, dx, dy), [w, h]);
  }
  const same = JSON.stringify(tidied(inside)) === JSON.stringify(tidied(shape));
  return { shape: same ? shape : inside, changed: !same };
}

/** Corners outside the photo are moved to its edge. */
export function clampedTo(shape, [w, h]) {
  if (shape.kind === "ellipse") return fittingEllipse(shape, w, h);
  if (shape.kind === "rectangle") {
    const x = clamp(shape.x, 0, w);
    const y = clamp(shape.y, 0, h);
    const right = clamp(shape.x + shape.width, 0, w);
    const bottom = clamp(shape.y + shape.height, 0, h);
    return { ...shape, x, y, width: right - x, height: bottom - y };
  }
  return mapPoints(shape, ([x, y]) => [clamp(x, 0, w), clamp(y, 0, h)]);
}

function fittingEllipse(shape, w, h) {
  const turn = (shape.angle * Math.PI) / 180;
  const reach = (rx, ry) => [
    Math.hypot(rx * Math.cos(turn), ry * Math.sin(turn)) * ELLIPSE_MARGIN,
    Math.hypot(rx * Math.sin(turn), ry * Math.cos(turn)) * ELLIPSE_MARGIN,
  ];
  const [ex, ey] = reach(shape.rx, shape.ry);
  const shrink = Math.min(1, w / (2 * ex), h / (2 * ey));
  const [fx, fy] = [ex * shrink, ey * shrink];
  return {
    ...shape,
    rx: shape.rx * shrink,
    ry: shape.ry * shrink,
    cx: clamp(shape.cx, fx, w - fx),
    cy: clamp(shape.cy, fy, h - fy),
  };
}

/** The ellipse in an upright box, a little inside it so that it never leaves the photo. */
export function ellipseIn([ax, ay], [bx, by]) {
  const rx = Math.abs(bx - ax) / 2 / ELLIPSE_MARGIN;
  const ry = Math.abs(by - ay) / 2 / ELLIPSE_MARGIN;
  return { kind: "ellipse", cx: (ax + bx) / 2, cy: (ay + by) / 2, rx, ry, angle: 0 };
}

/** Places a shape can be taken hold of: [{ name, at }]. */
export function grips(shape) {
  if (shape.kind !== "ellipse") {
    return outline(shape).map((at, i) => ({ name: `corner ${i}`, at }));
  }
  const ends = { right: [1, 0], low: [0, 1], left: [-1, 0], high: [0, -1] };
  return Object.entries(ends).map(([name, end]) => ({ name, at: fromAxes(shape, ...end) }));
}

/** The shape with one grip dragged to a point. */
export function gripped(shape, name, p) {
  if (shape.kind === "ellipse") return pulledEllipse(shape, name, p);
  const i = Number(name.split(" ")[1]);
  if (shape.kind !== "rectangle") {
    return { ...shape, points: shape.points.map((q, j) => (i === j ? p : q)) };
  }
  const [ox, oy] = outline(shape)[(i + 2) % 4];
  const [x, y] = [Math.min(ox, p[0]), Math.min(oy, p[1])];
  return { ...shape, x, y, width: Math.abs(p[0] - ox), height: Math.abs(p[1] - oy) };
}

// The opposite end stays where it is, so that the edge already placed is not lost.
function pulledEllipse(shape, name, p) {
  const turn = (shape.angle * Math.PI) / 180;
  const along = name === "right" || name === "left";
  const sign = name === "right" || name === "low" ? 1 : -1;
  const axis = along ? [Math.cos(turn), Math.sin(turn)] : [-Math.sin(turn), Math.cos(turn)];
  const half = along ? shape.rx : shape.ry;
  const reach = sign * ((p[0] - shape.cx) * axis[0] + (p[1] - shape.cy) * axis[1]);
  const next = Math.max((half + reach) / 2, 2);
  const move = sign * (next - half);
  const sized = along ? { rx: next } : { ry: next };
  return { ...shape, ...sized, cx: shape.cx + axis[0] * move, cy: shape.cy + axis[1] * move };
}

/** Middles of the sides of a polygon, where a corner can be added: [{ after, at }]. */
export function sides(shape) {
  if (shape.kind !== "polygon") return [];
  return shape.points.map((p, i) => {
    const q = shape.points[(i + 1) % shape.points.length];
    return { after: i, at: [(p[0] + q[0]) / 2, (p[1] + q[1]) / 2], long: Math.hypot(q[0] - p[0], q[1] - p[1]) };
  });
}

export function withCorner(shape, after, p) {
  const points = shape.points.slice();
  points.splice(after + 1, 0, p);
  return { ...shape, points };
}

export function withoutCorner(shape, i) {
  return { ...shape, points: shape.points.filter((_, j) => j !== i) };
}

/** Coordinates to a hundredth of a pixel, as region files keep them. */
export function tidied(shape) {
  if (shape.points) return mapPoints(shape, ([x, y]) => [round2(x), round2(y)]);
  const numbers = Object.entries(shape).map(([k, v]) => [k, k === "kind" ? v : round2(v)]);
  return Object.fromEntries(numbers);
}
