// From the trail of a finger to a plain outline.

import { apart, areaOf, distanceTo } from "./shapes.js";

const MAX_CORNERS = 40;

/** Ramer-Douglas-Peucker on an open line (Ramer 1972, Douglas & Peucker 1973). */
function thinned(points, tolerance) {
  if (points.length < 3) return points;
  const ends = [points[0], points.at(-1)];
  const [worst, off] = farthest(points, (p) => distanceTo(p, ...ends));
  if (off <= tolerance) return ends;
  const before = thinned(points.slice(0, worst + 1), tolerance);
  return [...before.slice(0, -1), ...thinned(points.slice(worst), tolerance)];
}

/** Number of the first point that is farthest by a measure, and how far it is. */
function farthest(points, measure) {
  let [worst, most] = [0, 0];
  points.forEach((p, i) => {
    const far = measure(p);
    if (far > most) [worst, most] = [i, far];
  });
  return [worst, most];
}

/** A closed outline of at most MAX_CORNERS corners, as true to the trail as that allows. */
function simplified(points, tolerance) {
  // Split at the point farthest from the start: a closed line has no ends of its own.
  const [far] = farthest(points, (p) => apart(p, points[0]));
  const loop = [...points, points[0]];
  for (let t = tolerance; ; t *= 1.3) {
    const back = thinned(loop.slice(far), t).slice(1, -1);
    const out = [...thinned(loop.slice(0, far + 1), t), ...back];
    if (out.length <= MAX_CORNERS) return out;
  }
}

function turnOf(a, b, c) {
  return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
}

/** Do two straight pieces cross or touch? Gives the place, or null. */
function crossing(a, b, c, d) {
  const [d1, d2] = [turnOf(c, d, a), turnOf(c, d, b)];
  const [d3, d4] = [turnOf(a, b, c), turnOf(a, b, d)];
  if (d1 * d2 > 0 || d3 * d4 > 0 || d1 === d2 || d3 === d4) return null;
  const t = d1 / (d1 - d2);
  return [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
}

/** Places where an open trail crosses itself: [{ i, j, at }], loop running from i to j. */
function crossings(points) {
  const found = [];
  for (let i = 0; i < points.length - 1; i++) {
    for (let j = i + 2; j < points.length - 1; j++) {
      const at = crossing(points[i], points[i + 1], points[j], points[j + 1]);
      if (at) found.push({ i, j, at });
    }
  }
  return found;
}

/** True when no two sides of a closed outline meet except neighbours at their corner. */
export function isPlain(points) {
  const last = points.length - 1;
  const meet = crossings([...points, points[0]]);
  return last >= 2 && meet.every(({ i, j }) => i === 0 && j === last);
}

/**
 * One plain loop from a trail. Overshooting ends are trimmed; a figure of eight is refused.
 * Gives { points, trimmed } or null.
 */
export function plainLoop(trail, tolerance) {
  // A light thinning first: the tests below are quadratic, and fingers tremble.
  const open = thinned(trail, tolerance / 2);
  const whole = reach(open);
  const crossed = crossings(open);
  const loops = crossed
    .map(({ i, j, at }) => [at, ...open.slice(i + 1, j + 1)])
    // What is cut off must be an overshoot, not half of the drawing.
    .filter((loop) => whole - reach([...loop, loop[0]]) <= 0.3 * whole)
    .sort((a, b) => areaOf(b) - areaOf(a));
  for (const loop of crossed.length ? loops.slice(0, 5) : [endedAtStart(open, whole)]) {
    if (loop.length < 3) continue;
    const shorter = [simplified(loop, tolerance), loop].filter((one) => one.length <= MAX_CORNERS);
    const points = shorter.find(isPlain);
    if (points) return { points, trimmed: crossed.length > 0 };
  }
  return null;
}

/** Cuts off an end that runs on beside the beginning without crossing it. */
function endedAtStart(points, whole) {
  const gap = (i) => apart(points[i], points[0]);
  let best = points.length - 1;
  for (let i = best, way = 0; i > 2 && way < whole / 4; i--) {
    if (gap(i) < gap(best)) best = i;
    way += apart(points[i], points[i - 1]);
  }
  return gap(best) < 0.1 * whole ? points.slice(0, best + 1) : points;
}

/** Length of the way along a trail. */
export function reach(points) {
  return points.slice(1).reduce((sum, p, i) => sum + apart(points[i], p), 0);
}
