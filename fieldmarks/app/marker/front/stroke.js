// From the trail of a finger to a plain outline.

import { areaOf, distanceTo } from "./shapes.js";

export const MAX_CORNERS = 40;

/** Ramer-Douglas-Peucker on an open line (Ramer 1972, Douglas & Peucker 1973). */
export function thinned(points, tolerance) {
  if (points.length < 3) return points.slice();
  const keep = new Uint8Array(points.length);
  keep[0] = keep[points.length - 1] = 1;
  const todo = [[0, points.length - 1]];
  while (todo.length) {
    const [from, to] = todo.pop();
    let worst = tolerance;
    let at = -1;
    for (let i = from + 1; i < to; i++) {
      const d = distanceTo(points[i], points[from], points[to]);
      if (d > worst) [worst, at] = [d, i];
    }
    if (at > 0) {
      keep[at] = 1;
      todo.push([from, at], [at, to]);
    }
  }
  return points.filter((_, i) => keep[i]);
}

/** A closed outline of at most MAX_CORNERS corners, as true to the trail as that allows. */
export function simplified(points, tolerance) {
  // Split at the point farthest from the start: a closed line has no ends of its own.
  const [x0, y0] = points[0];
  let far = 0;
  points.forEach(([x, y], i) => {
    const best = points[far];
    if (Math.hypot(x - x0, y - y0) > Math.hypot(best[0] - x0, best[1] - y0)) far = i;
  });
  const loop = [...points, points[0]];
  for (let t = tolerance; ; t *= 1.3) {
    const there = thinned(loop.slice(0, far + 1), t);
    const back = thinned(loop.slice(far), t);
    const out = [...there, ...back.slice(1, -1)];
    if (out.length <= MAX_CORNERS) return out;
  }
}

function turnOf(a, b, c) {
  return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
}

/** Do two straight pieces cross or touch? Gives the place, or null. */
export function crossing(a, b, c, d) {
  const d1 = turnOf(c, d, a);
  const d2 = turnOf(c, d, b);
  const d3 = turnOf(a, b, c);
  const d4 = turnOf(a, b, d);
  if (d1 * d2 > 0 || d3 * d4 > 0 || d1 === d2 || d3 === d4) return null;
  const t = d1 / (d1 - d2);
  return [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
}

/** True when no two sides of a closed outline meet except neighbours at their corner. */
export function isPlain(points) {
  const n = points.length;
  if (n < 3) return false;
  for (let i = 0; i < n; i++) {
    for (let j = i + 2; j < n; j++) {
      if (i === 0 && j === n - 1) continue;
      if (crossing(points[i], points[i + 1], points[j], points[(j + 1) % n])) return false;
    }
  }
  return true;
}

/** Places where an open trail crosses itself: [{ i, j, at }], loop running from i to j. */
function selfCrossings(points) {
  const found = [];
  for (let i = 0; i < points.length - 1; i++) {
    for (let j = i + 2; j < points.length - 1; j++) {
      const at = crossing(points[i], points[i + 1], points[j], points[j + 1]);
      if (at) found.push({ i, j, at });
    }
  }
  return found;
}

/**
 * One plain loop from a trail. Overshooting ends are trimmed; a figure of eight is refused.
 * Gives { points, trimmed } or null.
 */
export function plainLoop(trail, tolerance) {
  // A light thinning first: the tests below are quadratic, and fingers tremble.
  let open = thinned(trail, tolerance / 2);
  const candidates = selfCrossings(open)
    .map(({ i, j, at }) => [at, ...open.slice(i + 1, j + 1)])
    .filter((loop) => loop.length >= 3)
    .sort((a, b) => areaOf(b) - areaOf(a));
  const whole = reach(open);
  if (!candidates.length) open = endedAtStart(open, whole);
  const tries = candidates.length ? candidates.slice(0, 5) : [open];
  for (const loop of tries) {
    if (loop.length < 3) continue;
    const points = simplified(loop, tolerance);
    const rest = whole - reach([...loop, loop[0]]);
    // What is cut off must be an overshoot, not half of the drawing.
    if (candidates.length && rest > 0.3 * whole) continue;
    if (isPlain(points)) return { points, trimmed: candidates.length > 0 };
    if (isPlain(loop) && loop.length <= MAX_CORNERS) {
      return { points: loop, trimmed: candidates.length > 0 };
    }
  }
  return null;
}

/** Cuts off an end that runs on beside the beginning without crossing it. */
function endedAtStart(points, whole) {
  let way = 0;
  let best = points.length - 1;
  const gap = (i) => Math.hypot(points[i][0] - points[0][0], points[i][1] - points[0][1]);
  for (let i = points.length - 1; i > 2 && way < whole / 4; i--) {
    if (gap(i) < gap(best)) best = i;
    way += Math.hypot(points[i][0] - points[i - 1][0], points[i][1] - points[i - 1][1]);
  }
  return gap(best) < 0.1 * whole ? points.slice(0, best + 1) : points;
}

/** Length of the way along a trail. */
export function reach(points) {
  let sum = 0;
  for (let i = 1; i < points.length; i++) {
    sum += Math.hypot(points[i][0] - points[i - 1][0], points[i][1] - points[i - 1][1]);
  }
  return sum;
}
