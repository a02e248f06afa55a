// Draws outlines, letters and grips over the photo, in screen pixels so that lines stay thin.

import { boxOf, grips, outline, sides } from "./shapes.js";
import { reach } from "./stroke.js";

const SVG = "http://www.w3.org/2000/svg";
const DASH = { solid: "", long: "14 7", dot: "2 7", asked: "1 6" };
const PLATE = 22; // height of a label in CSS pixels
const FONT = "600 13px system-ui, sans-serif";

let ruler;
function widthOf(text) {
  ruler ??= document.createElement("canvas").getContext("2d");
  ruler.font = FONT;
  return ruler.measureText(text).width;
}

function make(name, attributes, ...children) {
  const node = document.createElementNS(SVG, name);
  for (const [k, v] of Object.entries(attributes)) node.setAttribute(k, v);
  node.append(...children);
  return node;
}

function pathOf(points, closed) {
  const steps = points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`);
  return `M${steps.join("L")}${closed ? "Z" : ""}`;
}

/** Light line on a dark one: seen on any colour. The dash tells card, length and suggestion. */
function doubled(d, dash, extra = "") {
  return make(
    "g",
    { class: `outline ${extra}` },
    make("path", { d, class: "dark" }),
    make("path", { d, class: "light", "stroke-dasharray": DASH[dash] ?? "" }),
  );
}

/** How near a press must be to count as on a grip; less on a region that looks small. */
export function gripReach(box) {
  const small = Math.min(Math.max(box.x1 - box.x0, box.y1 - box.y0), 400);
  return Math.min(Math.max(small * 0.25, 7), 22);
}

/** Grips worth showing at this zoom, and sides long enough to take a new corner. */
export function handlesOf(shape, view) {
  const on = ({ at, ...rest }) => ({ ...rest, at: view.toScreen(at) });
  const box = boxOf(outline(shape).map((p) => view.toScreen(p)));
  if (Math.max(box.x1 - box.x0, box.y1 - box.y0) < 24) return { corners: [], between: [], box };
  return {
    corners: grips(shape).map(on),
    between: sides(shape).filter((s) => s.long * view.scale >= 40).map(on),
    box,
  };
}

function handleNodes(board, shape) {
  const { corners, between } = handlesOf(shape, board.view);
  // Corners that lie close together get smaller dots, or they would hide the edge itself.
  const points = corners.map((c) => c.at);
  const apart = reach([...points, points[0] ?? [0, 0]]) / Math.max(points.length, 1);
  const r = Math.min(Math.max(apart / 4, 3.5), 6.5);
  const dots = between.map(({ at: [cx, cy] }) => make("circle", { cx, cy, r: 4, class: "between" }));
  corners.forEach(({ at: [cx, cy] }, i) => {
    const held = i === board.corner ? " held" : "";
    dots.push(make("circle", { cx, cy, r: held ? 9 : r, class: `grip${held}` }));
  });
  return dots;
}

function overlaps(a, b) {
  return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1;
}

/**
 * A letter with the mark's name beside its region, or inside a large one. Where that would hide
 * another label or region: the letter alone, then the bare letter on the region itself.
 */
function labelFor(letter, name, box, stage, { taken, boxes }, extra) {
  const [w, h] = [box.x1 - box.x0, box.y1 - box.y0];
  const [mx, my] = [(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2];
  const free = (s) =>
    s.x0 >= 1 && s.y0 >= 1 && s.x1 < stage[0] && s.y1 < stage[1] && !taken.some((t) => overlaps(s, t));
  const alone = (s) => !boxes.some((b) => b !== box && overlaps(s, b));
  const [w0, w1] = [2, Math.max(stage[0] - 2, 2)];
  const plates = (name ? [`${letter} ${name}`, letter] : []).flatMap((text) => {
    const long = widthOf(text) + 14;
    const held = (x) => Math.min(Math.max(x, w0), Math.max(w1 - long, w0));
    const large = h > 5 * PLATE && w > 1.3 * long;
    const ys = [box.y0 - PLATE - 7, box.y1 + 7, ...(large ? [my] : [])];
    const spots = ys.map((y) => [held(mx - long / 2), y]);
    spots.push([box.x0 - long - 7, my - PLATE / 2], [box.x1 + 7, my - PLATE / 2]);
    return spots.map(([x, y]) => ({ x0: x, y0: y, x1: x + long, y1: y + PLATE, text }));
  });
  const places = [[mx, my], [mx, box.y0], [mx, box.y1], [box.x0, my], [box.x1, my]];
  const bare = places.map(([x, y]) => (
    { x0: x - 7, y0: y - 8, x1: x + 7, y1: y + 8, text: letter, bare: true }
  ));
  const wanted = extra ? plates.filter(free) : [];
  const spot = [...plates.filter((s) => free(s) && alone(s)), ...wanted, ...bare.filter(free)][0];
  // Nothing free: the list has it, and zooming in makes room.
  if (!spot) return make("g", {});
  taken.push(spot);
  const { x0: x, y0: y, x1, y1 } = spot;
  const at = { x: (x + x1) / 2, y: (y + y1) / 2 + 4.5, "text-anchor": "middle" };
  const text = make("text", at, spot.text);
  if (spot.bare) return make("g", { class: `label bare ${extra}` }, text);
  const plate = make("rect", { x, y, width: x1 - x, height: PLATE, rx: 4 });
  return make("g", { class: `label ${extra}` }, plate, text);
}

/** Everything drawn over the photo. */
export function ink(board, svg) {
  const { view, selected, tool, draft, suggestion } = board;
  const letters = board.letters();
  const items = board.regions.map((region) => {
    const odd = board.odd?.has(region.mark);
    const on = region.id === selected ? "on" : odd ? "odd" : "";
    const letter = `${odd ? "✗ " : ""}${letters.get(region.id)}`;
    return { region, dash: board.dashOf(region.mark), extra: on, letter };
  });
  if (board.mode === "offers") {
    for (const one of board.offers) {
      const off = board.off.has(one.mark);
      // The names stand in the list: here they would hide the bird.
      const sign = { letter: off ? "✗" : "✓", name: "" };
      items.push({ region: one, dash: "asked", extra: off ? "off" : "asked", ...sign });
    }
  }
  // The chosen one last, on top of the others; its label is placed first.
  items.sort((a, b) => a.extra.length - b.extra.length);
  if (suggestion) items.push({ region: suggestion, dash: "asked", extra: "asked", letter: "?" });
  for (const item of items) {
    item.points = outline(item.region.shape).map((p) => view.toScreen(p));
    item.box = boxOf(item.points);
  }
  const stage = { x0: 0, y0: 0, x1: view.stage[0], y1: view.stage[1] };
  const shown = items.filter((item) => overlaps(item.box, stage));
  // The eye decides much and is small: no label may lie on it.
  const eyes = shown.filter((item) => board.marks.get(item.region.mark)?.eye);
  const room = { taken: eyes.map((item) => item.box), boxes: shown.map((item) => item.box) };
  const lines = shown.map(({ region, points, dash, extra }) =>
    doubled(pathOf(points, region.shape.kind !== "line"), dash, extra),
  );
  const labels = shown.toReversed().map(({ region, letter, name, box, extra }) =>
    labelFor(letter, name ?? board.nameOf(region.mark), box, view.stage, room, extra),
  );
  if (draft) {
    const points = outline(draft).map((p) => view.toScreen(p));
    lines.push(doubled(pathOf(points, draft.closed), "solid", "draft"));
  }
  const chosen = board.chosen();
  const handles = chosen && tool === "adjust" ? handleNodes(board, chosen.shape) : [];
  const spots = Object.values(board.points ?? {}).filter(Boolean).map((at) => {
    const [cx, cy] = view.toScreen(at);
    return make("circle", { cx, cy, r: 8, class: "spot" });
  });
  svg.replaceChildren(...(board.mode === "draw" ? [] : spots), ...lines, ...labels.reverse(), ...handles);
}
