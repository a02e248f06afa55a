// A magnifier beside the finger, which would otherwise hide the very place it draws.

import { clamp } from "./shapes.js";

const SIDE = 116; // CSS pixels, as in the page
const AWAY = 100; // from the finger to the middle of the loupe
const LARGER = 2.2; // than the photo around it

/** Where to put it: above the finger, or beside it near the top of the stage. */
function loupePlace([x, y], stage) {
  const half = SIDE / 2;
  const beside = [x > stage[0] / 2 ? x - AWAY : x + AWAY, y];
  const middle = y - AWAY < half ? beside : [x, y - AWAY];
  return middle.map((v, i) => clamp(v, half, Math.max(stage[i] - half, half)) - half);
}

/** Show what has been drawn round a place on the screen. */
export function showLoupe({ parts, view, size }, at) {
  const { loupe, larger, again } = parts;
  const [left, top] = loupePlace(at, view.stage);
  loupe.style.transform = `translate(${left}px, ${top}px)`;
  loupe.hidden = false;
  larger.setAttribute("transform", `scale(${LARGER}) translate(${-at[0]} ${-at[1]})`);
  const [[x, y], [width, height]] = [view.shift, size.map((long) => long * view.scale)];
  for (const [k, v] of Object.entries({ x, y, width, height })) again.setAttribute(k, v);
}
