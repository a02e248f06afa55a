// A magnifier beside the finger, which would otherwise hide the very place it draws.

import { outline } from "./shapes.js";

const SIDE = 116; // CSS pixels
const AWAY = 100; // from the finger to the middle of the loupe
const LARGER = 2.2; // than the photo around it

/** Where to put it: above the finger, or beside it near the top of the stage. */
export function loupePlace([x, y], [w, h]) {
  const half = SIDE / 2;
  let [cx, cy] = [x, y - AWAY];
  if (cy < half) [cx, cy] = [x > w / 2 ? x - AWAY : x + AWAY, y];
  const held = (v, long) => Math.min(Math.max(v, half), Math.max(long - half, half));
  return [held(cx, w) - half, held(cy, h) - half];
}

export function showLoupe(board, at) {
  const { loupe, photo } = board.parts;
  const dense = window.devicePixelRatio || 1;
  if (loupe.width !== SIDE * dense) loupe.width = loupe.height = SIDE * dense;
  const [left, top] = loupePlace(at, board.view.stage);
  loupe.style.transform = `translate(${left}px, ${top}px)`;
  loupe.hidden = false;
  const pen = loupe.getContext("2d");
  const [px, py] = board.view.toPhoto(at);
  const scale = board.view.scale * LARGER;
  pen.setTransform(dense, 0, 0, dense, 0, 0);
  pen.fillStyle = "#808080";
  pen.fillRect(0, 0, SIDE, SIDE);
  pen.translate(SIDE / 2 - px * scale, SIDE / 2 - py * scale);
  const [w, h] = board.size;
  if (photo.complete && photo.naturalWidth) pen.drawImage(photo, 0, 0, w * scale, h * scale);
  const lines = board.regions.map((r) => r.shape);
  if (board.draft) lines.push(board.draft);
  for (const shape of lines) {
    const points = outline(shape);
    pen.beginPath();
    points.forEach(([x, y], i) => pen[i ? "lineTo" : "moveTo"](x * scale, y * scale));
    if (shape.kind !== "line" && shape.closed !== false) pen.closePath();
    for (const [colour, width] of [["#10151a", 5], ["#fff", 2]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.stroke();
    }
  }
  pen.setTransform(dense, 0, 0, dense, 0, 0);
  for (const [colour, width] of [["#10151a", 3.5], ["#ffe082", 1.5]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      pen.moveTo(SIDE / 2 + dx * 5, SIDE / 2 + dy * 5);
      pen.lineTo(SIDE / 2 + dx * 15, SIDE / 2 + dy * 15);
    }
    pen.stroke();
  }
}

export function hideLoupe(board) {
  board.parts.loupe.hidden = true;
}
