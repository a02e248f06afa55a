// Shapes in photo pixels: polygon, ellipse, rectangle, line. Plain objects, never changed in place.
// An ellipse is taken hold of by the ends of its axes, all others by their corners.

const ELLIPSE_SIDES = 72;
// Python tests an ellipse by a 72-gon of equal area, whose corners lie this much outside it.
const ELLIPSE_MARGIN = 1.001;
export const MIN_AREA = 9; // px, as in fieldmarks.measure.region
export const SHAPES = { polygon: "outline", ellipse: "oval", rectangle: "box", line: "line" };

export const clamp = (v, low, high) => Math.min(Math.max(v, low), high);
export const apart = ([ax, ay], [bx, by]) => Math.hypot(bx - ax, by - ay);
export const middleOf = ([ax, ay], [bx, by]) => [(ax + bx) / 2, (ay + by) / 2];

/** The nearest point on a photo of a size. */
export const onto = ([w, h], [x, y]) => [clamp(x, 0, w), clamp(y, 0, h)];

/** Corner points for drawing and hit tests; a line has two or, while it is drawn, more. */
export function outline(shape) {
  if (shape.kind === "ellipse") return roundEllipse(shape, ELLIPSE_SIDES);
  if (shape.kind !== "rectangle") return shape.points;
  const { x, y, width: w, height: h } = shape;
  return [[x, y], [x + w, y], [x + w, y + h], [x, y + h]];
}

/** Points of an ellipse at even turns, from the right end of its axes. */
function roundEllipse({ cx, cy, rx, ry, angle }, count) {
  const turn = (angle * Math.PI) / 180;
  const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
  return Array.from({ length: count }, (_, i) => {
    const t = (2 * Math.PI * i) / count;
    const [u, v] = [rx * Math.cos(t), ry * Math.sin(t)];
    return [cx + u * cos - v * sin, cy + u * sin + v * cos];
  });
}

/** Smallest upright box: {x0, y0, x1, y1}. */
export function boxOf(points) {
  const xs = points.map((p) => p[0]);
  const ys = points.map((p) => p[1]);
  return { x0: Math.min(...xs), y0: Math.min(...ys), x1: Math.max(...xs), y1: Math.max(...ys) };
}

/** Area by the shoelace formula, always positive. */
export function areaOf(points) {
  let [x0, y0] = points.at(-1);
  let sum = 0;
  for (const [x, y] of points) {
    sum += x0 * y - x * y0;
    [x0, y0] = [x, y];
  }
  return Math.abs(sum) / 2;
}

/** Distance from a point to the straight piece a-b. */
export function distanceTo(p, a, b) {
  const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
  const long = dx * dx + dy * dy;
  const t = long ? clamp(((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / long, 0, 1) : 0;
  return apart(p, [a[0] + t * dx, a[1] + t * dy]);
}

/** The shape with every point moved: two corners of a rectangle, the middle of an ellipse. */
function mapPoints(shape, change) {
  if (shape.kind === "ellipse") {
    const [cx, cy] = change([shape.cx, shape.cy]);
    return { ...shape, cx, cy };
  }
  if (shape.kind !== "rectangle") return { ...shape, points: shape.points.map(change) };
  const [start, , end] = outline(shape);
  return between(shape, change(start), change(end));
}

/** The rectangle with two of its opposite corners there. */
function between(shape, a, b) {
  const { x0, y0, x1, y1 } = boxOf([a, b]);
  return { ...shape, x: x0, y: y0, width: x1 - x0, height: y1 - y0 };
}

export const shifted = (shape, dx, dy) => mapPoints(shape, ([x, y]) => [x + dx, y + dy]);

/** Made larger or smaller about the middle of its box. */
export function scaled(shape, factor) {
  if (shape.kind === "ellipse") return { ...shape, rx: shape.rx * factor, ry: shape.ry * factor };
  const { x0, y0, x1, y1 } = boxOf(outline(shape));
  const [mx, my] = middleOf([x0, y0], [x1, y1]);
  return mapPoints(shape, ([x, y]) => [mx + (x - mx) * factor, my + (y - my) * factor]);
}

/** The shape slid back over the photo, cutting only what cannot fit; itself if it lies there. */
export function keptInside(shape, [w, h]) {
  const { x0, y0, x1, y1 } = boxOf(outline(shape));
  const [dx, dy] = [x0 < 0 ? -x0 : Math.min(0, w - x1), y0 < 0 ? -y0 : Math.min(0, h - y1)];
  // An ellipse is slid only after it was made smaller.
  const slid = shape.kind === "ellipse" ? shape : shifted(shape, dx, dy);
  const inside = clampedTo(slid, [w, h]);
  return JSON.stringify(tidied(inside)) === JSON.stringify(tidied(shape)) ? shape : inside;
}

/** Corners outside the photo moved to its edge, an ellipse slid and made smaller. */
export function clampedTo(shape, size) {
  if (shape.kind !== "ellipse") return mapPoints(shape, (p) => onto(size, p));
  const [w, h] = size;
  const { cx, cy, rx, ry, angle } = shape;
  const [cos, sin] = [Math.cos((angle * Math.PI) / 180), Math.sin((angle * Math.PI) / 180)];
  const ex = Math.hypot(rx * cos, ry * sin) * ELLIPSE_MARGIN;
  const ey = Math.hypot(rx * sin, ry * cos) * ELLIPSE_MARGIN;
  const shrink = Math.min(1, w / (2 * ex), h / (2 * ey));
  const [fx, fy] = [ex * shrink, ey * shrink];
  const middle = { cx: clamp(cx, fx, w - fx), cy: clamp(cy, fy, h - fy) };
  return { ...shape, ...middle, rx: rx * shrink, ry: ry * shrink };
}

/** The ellipse in an upright box, a little inside it so that it never leaves the photo. */
export function ellipseIn(a, b) {
  const [cx, cy] = middleOf(a, b);
  const [rx, ry] = [0, 1].map((i) => Math.abs(b[i] - a[i]) / 2 / ELLIPSE_MARGIN);
  return { kind: "ellipse", cx, cy, rx, ry, angle: 0 };
}

/** Places a shape can be taken hold of. */
export function grips(shape) {
  return shape.kind === "ellipse" ? roundEllipse(shape, 4) : outline(shape);
}

/** The shape with one grip dragged to a point. */
export function gripped(shape, i, p) {
  if (shape.kind === "rectangle") return between(shape, p, outline(shape)[(i + 2) % 4]);
  if (shape.kind !== "ellipse") return { ...shape, points: shape.points.with(i, p) };
  // The opposite end stays where it is, so that the edge already placed is not lost.
  const turn = ((shape.angle + 90 * i) * Math.PI) / 180;
  const axis = [Math.cos(turn), Math.sin(turn)];
  const radius = i % 2 ? "ry" : "rx";
  const reach = (p[0] - shape.cx) * axis[0] + (p[1] - shape.cy) * axis[1];
  const next = Math.max((shape[radius] + reach) / 2, 2);
  const move = next - shape[radius];
  return { ...shape, [radius]: next, cx: shape.cx + axis[0] * move, cy: shape.cy + axis[1] * move };
}

/** Middles of the sides of a polygon, where a corner can be added after each corner. */
export function sides(shape) {
  if (shape.kind !== "polygon") return [];
  return shape.points.map((p, i, all) => {
    const next = all[(i + 1) % all.length];
    return { after: i, at: middleOf(p, next), long: apart(p, next) };
  });
}

export function withCorner(shape, after, p) {
  return { ...shape, points: shape.points.toSpliced(after + 1, 0, p) };
}

/** A shape or a point, to a hundredth of a pixel, as region files keep them. */
export function tidied(shape) {
  const rounded = (_, v) => (typeof v === "number" ? Math.round(v * 100) / 100 : v);
  return JSON.parse(JSON.stringify(shape, rounded));
}
