// A magnifier beside the finger, which would otherwise hide the very place it draws.

import { clamp } from "./shapes.js";

const SIDE = 116; // CSS pixels
const AWAY = 100; // from the finger to the middle of the loupe
const LARGER = 2.2; // than the photo around it
const DARK = "#10151a";

/** Where to put it: above the finger, or beside it near the top of the stage. */
function loupePlace([x, y], stage) {
  const half = SIDE / 2;
  const beside = [x > stage[0] / 2 ? x - AWAY : x + AWAY, y];
  const middle = y - AWAY < half ? beside : [x, y - AWAY];
  return middle.map((v, i) => clamp(v, half, Math.max(stage[i] - half, half)) - half);
}

/** Show what has been drawn round a place on the screen. */
export function showLoupe({ parts, view, size }, at) {
  const { loupe, photo, ink } = parts;
  const dense = window.devicePixelRatio || 1;
  if (loupe.width !== SIDE * dense) loupe.width = loupe.height = SIDE * dense;
  const [left, top] = loupePlace(at, view.stage);
  loupe.style.transform = `translate(${left}px, ${top}px)`;
  loupe.hidden = false;
  const pen = loupe.getContext("2d");
  const draw = (path, colour, width) => {
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.stroke(new Path2D(path));
  };
  // From here on in pixels of the screen about the finger.
  const larger = dense * LARGER;
  pen.setTransform(larger, 0, 0, larger, (dense * SIDE) / 2, (dense * SIDE) / 2);
  pen.fillStyle = "#808080";
  pen.fillRect(-SIDE, -SIDE, 2 * SIDE, 2 * SIDE);
  pen.translate(-at[0], -at[1]);
  const [w, h] = size.map((long) => long * view.scale);
  if (photo.complete && photo.naturalWidth) pen.drawImage(photo, ...view.shift, w, h);
  for (const path of ink.querySelectorAll("path")) {
    const dark = path.matches(".dark");
    draw(path.getAttribute("d"), dark ? DARK : "#fff", (dark ? 5 : 2) / LARGER);
  }
  pen.setTransform(dense, 0, 0, dense, (dense * SIDE) / 2, (dense * SIDE) / 2);
  const cross = "M5 0h10M-5 0h-10M0 5v10M0-5v-10";
  draw(cross, DARK, 3.5);
  draw(cross, "#ffe082", 1.5);
}
