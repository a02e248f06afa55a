// Draws outlines, letters and grips over the photo, in screen pixels so that lines stay thin.

import { boxOf, clamp, grips, middleOf, outline, sides } from "./shapes.js";
import { reach } from "./stroke.js";

const SVG = "http://www.w3.org/2000/svg";
const DASH = { solid: "", long: "14 7", dot: "2 7", asked: "1 6" };
const PLATE = 22; // height of a label in CSS pixels
const FONT = "600 13px system-ui, sans-serif";

// Never seen: tells how wide a word is, and whether a place lies on a path.
const ruler = document.createElement("canvas").getContext("2d");
Object.assign(ruler, { font: FONT, lineJoin: "round", lineCap: "round" });

function make(name, attributes, ...children) {
  const node = document.createElementNS(SVG, name);
  for (const [k, v] of Object.entries(attributes)) node.setAttribute(k, v);
  node.append(...children);
  return node;
}

const onScreen = (shape, view) => outline(shape).map((p) => view.toScreen(p));

function pathOf(shape, view) {
  const steps = onScreen(shape, view).map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`);
  return `M${steps.join("L")}${shape.kind === "line" ? "" : "Z"}`;
}

/** Whether a place on the screen is inside a shape or near its line. */
export function hits(shape, view, at, near) {
  const path = new Path2D(pathOf(shape, view));
  ruler.lineWidth = 2 * near;
  const inside = shape.kind !== "line" && ruler.isPointInPath(path, ...at, "evenodd");
  return inside || ruler.isPointInStroke(path, ...at);
}

/** Light line on a dark one: seen on any colour. The dash tells card, length and suggestion. */
function doubled(shape, view, dash, style) {
  const d = pathOf(shape, view);
  const light = { d, class: "light", "stroke-dasharray": DASH[dash] ?? "" };
  const lines = [make("path", { d, class: "dark" }), make("path", light)];
  return make("g", { class: `outline ${style}` }, ...lines);
}

/** How near a press must be to count as on a grip; less on a region that looks small. */
export function gripReach(box) {
  return clamp(Math.max(box.x1 - box.x0, box.y1 - box.y0) * 0.25, 7, 22);
}

/** Grips worth showing at this zoom, and sides long enough to take a new corner. */
export function handlesOf(shape, view) {
  const box = boxOf(onScreen(shape, view));
  if (Math.max(box.x1 - box.x0, box.y1 - box.y0) < 24) return { corners: [], between: [], box };
  const long = sides(shape).filter((s) => s.long * view.scale >= 40);
  return {
    corners: grips(shape).map((at, grip) => ({ grip, at: view.toScreen(at) })),
    between: long.map(({ after, at }) => ({ after, at: view.toScreen(at) })),
    box,
  };
}

function handleNodes(board, shape) {
  const { corners, between } = handlesOf(shape, board.view);
  // Corners that lie close together get smaller dots, or they would hide the edge itself.
  const points = corners.map((c) => c.at);
  const apart = reach([...points, points[0] ?? [0, 0]]) / Math.max(points.length, 1);
  const r = clamp(apart / 4, 3.5, 6.5);
  const dot = ([cx, cy], r, name) => make("circle", { cx, cy, r, class: name });
  return [
    ...between.map(({ at }) => dot(at, 4, "between")),
    ...points.map((at, i) => (i === board.corner ? dot(at, 9, "grip held") : dot(at, r, "grip"))),
  ];
}

function overlaps(a, b) {
  return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1;
}

/**
 * A letter with the mark's name beside its region, or inside a large one. Where that would hide
 * another label or region: the letter alone, then the bare letter on the region itself.
 */
function labelFor({ letter, name, box, style }, stage, { taken, boxes }) {
  const { x0, y0, x1, y1 } = box;
  const [mx, my] = middleOf([x0, y0], [x1, y1]);
  const seen = (s) => s.x0 >= 1 && s.y0 >= 1 && s.x1 < stage[0] && s.y1 < stage[1];
  const free = (s) => seen(s) && !taken.some((t) => overlaps(s, t));
  const alone = (s) => !boxes.some((b) => b !== box && overlaps(s, b));
  const plates = (name ? [`${letter} ${name}`, letter] : []).flatMap((text) => {
    const long = ruler.measureText(text).width + 14;
    const x = clamp(mx - long / 2, 2, Math.max(stage[0] - 2 - long, 2));
    const large = y1 - y0 > 5 * PLATE && x1 - x0 > 1.3 * long;
    const spots = [[x, y0 - PLATE - 7], [x, y1 + 7], ...(large ? [[x, my]] : [])];
    spots.push([x0 - long - 7, my - PLATE / 2], [x1 + 7, my - PLATE / 2]);
    return spots.map(([x, y]) => ({ x0: x, y0: y, x1: x + long, y1: y + PLATE, text }));
  });
  const bare = [[mx, my], [mx, y0], [mx, y1], [x0, my], [x1, my]].map(([x, y]) => (
    { x0: x - 7, y0: y - 8, x1: x + 7, y1: y + 8, text: letter, bare: true }
  ));
  const wanted = style ? plates.filter(free) : [];
  const spot = [...plates.filter((s) => free(s) && alone(s)), ...wanted, ...bare.filter(free)][0];
  // Nothing free: the list has it, and zooming in makes room.
  if (!spot) return make("g", {});
  taken.push(spot);
  const [x, y] = middleOf([spot.x0, spot.y0], [spot.x1, spot.y1]);
  const text = make("text", { x, y: y + 4.5, "text-anchor": "middle" }, spot.text);
  if (spot.bare) return make("g", { class: `label bare ${style}` }, text);
  const plate = { x: spot.x0, y: spot.y0, width: spot.x1 - spot.x0, height: PLATE, rx: 4 };
  return make("g", { class: `label ${style}` }, make("rect", plate), text);
}

/** All shapes to draw: each with its letter, and with its mark's name where that is written. */
function shownBy(board) {
  const letters = board.letters();
  const items = board.regions.map(({ id, mark, shape }) => {
    const odd = board.odd.has(mark);
    const style = id === board.selected ? "on" : odd ? "odd" : "";
    const { name, dash, eye } = board.markOf(mark);
    return { shape, eye, dash, style, name, letter: `${odd ? "✗ " : ""}${letters.get(id)}` };
  });
  for (const { mark, shape } of board.mode === "offers" ? board.offers : []) {
    // The names stand in the list: here they would hide the bird.
    const [style, letter] = board.off.has(mark) ? ["off", "✗"] : ["asked", "✓"];
    items.push({ shape, eye: board.markOf(mark).eye, dash: "asked", style, name: "", letter });
  }
  // The chosen one last, on top of the others; its label is placed first.
  items.sort((a, b) => a.style.length - b.style.length);
  if (board.suggestion) {
    const { mark, shape } = board.suggestion;
    items.push({ ...board.markOf(mark), shape, dash: "asked", style: "asked", letter: "?" });
  }
  return items;
}

/** Everything drawn over the photo. */
export function ink(board, svg) {
  const { view, tool, draft, mode } = board;
  const stage = { x0: 0, y0: 0, x1: view.stage[0], y1: view.stage[1] };
  const shown = shownBy(board)
    .map((item) => ({ ...item, box: boxOf(onScreen(item.shape, view)) }))
    .filter((item) => overlaps(item.box, stage));
  // The eye decides much and is small: no label may lie on it.
  const eyes = shown.filter((item) => item.eye);
  const room = { taken: eyes.map((item) => item.box), boxes: shown.map((item) => item.box) };
  const lines = shown.map(({ shape, dash, style }) => doubled(shape, view, dash, style));
  const labels = shown.toReversed().map((item) => labelFor(item, view.stage, room));
  if (draft) lines.push(doubled(draft, view, "solid", "draft"));
  const chosen = board.chosen();
  const handles = chosen && tool === "adjust" ? handleNodes(board, chosen.shape) : [];
  const tapped = mode === "draw" ? [] : Object.values(board.points).filter(Boolean);
  const spots = tapped.map((at) => {
    const [cx, cy] = view.toScreen(at);
    return make("circle", { cx, cy, r: 8, class: "spot" });
  });
  svg.replaceChildren(...spots, make("g", { id: "lines" }, ...lines), ...labels.reverse(), ...handles);
}
