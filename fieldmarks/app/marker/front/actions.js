// All that buttons and keys do, by name. Everything a finger can do is done with keys.

import { putBack } from "./memory.js";
import {
  clampedTo, ellipseIn, gripped, keptInside, onto, scaled, shifted, sides, withCorner,
} from "./shapes.js";
import { ZOOM_STEP } from "./view.js";

const SLIDE = 40; // CSS pixels per key press

/** What the buttons do: their data-do in the page. */
export const BUTTONS = {
  closer: (board) => board.view.zoomAt(board.view.centre, ZOOM_STEP),
  farther: (board) => board.view.zoomAt(board.view.centre, 1 / ZOOM_STEP),
  whole: (board) => board.view.showAll(),
  undo: (board) => board.step(-1),
  redo: (board) => board.step(1),
  delete: (board) => board.remove(),
  corner: (board) => board.removeCorner(),
  keep: (board) => board.answer(true),
  drop: (board) => board.answer(false),
  more: (board) => board.pick(board.last),
  skip: (board) => board.skip(),
  byhand: (board) => board.byHand(),
  where: (board) => (board.explains = !board.explains),
  recall: (board) => putBack(board, true),
  leave: (board) => putBack(board, false),
};

// What keys do; what gives false leaves the key to the page. A row of nudges is one step of undo.
const larger = (board) => size(board, 1.05, "closer");
const smaller = (board) => size(board, 1 / 1.05, "farther");
const NUDGES = {
  ArrowLeft: (board, e) => arrow(board, -1, 0, e.shiftKey),
  ArrowRight: (board, e) => arrow(board, 1, 0, e.shiftKey),
  ArrowUp: (board, e) => arrow(board, 0, -1, e.shiftKey),
  ArrowDown: (board, e) => arrow(board, 0, 1, e.shiftKey),
  "+": larger,
  "=": larger,
  "-": smaller,
  _: smaller,
  Insert: insert,
};
const KEYS = {
  ...NUDGES,
  ".": (board) => nextCorner(board, 1),
  ",": (board) => nextCorner(board, -1),
  Delete: remove,
  Backspace: remove,
  Escape: letGo,
};
const STAGE_KEYS = { Enter: create, " ": (board) => (board.hand.space = true) };
const CTRL_KEYS = { z: (board, e) => board.step(e.shiftKey ? 1 : -1), y: (board) => board.step(1) };

export function wireKeys(board) {
  const { root, stage } = board.parts;
  const lift = () => (board.hand.space = false);
  root.addEventListener("keydown", (e) => {
    const act = keyed(board, e);
    if (!act || board.hand.busy || e.altKey) return;
    if (board.does(() => act(board, e), e.target, e.key in NUDGES) === false) return;
    e.preventDefault();
    // The page has shortcuts of its own.
    e.stopPropagation();
  });
  root.addEventListener("keyup", (e) => e.key === " " && lift());
  stage.addEventListener("blur", lift);
}

/** What a key does where it was pressed. */
function keyed(board, e) {
  if (e.ctrlKey || e.metaKey) return CTRL_KEYS[e.key.toLowerCase()];
  const onStage = e.target === board.parts.stage;
  const onList = e.target.closest(".list");
  return (onStage && STAGE_KEYS[e.key]) || ((onStage || onList) && KEYS[e.key]);
}

function arrow(board, dx, dy, far) {
  const shape = board.chosen()?.shape;
  if (!shape) return board.view.slide([-dx * SLIDE, -dy * SLIDE]);
  const step = far ? 10 : 1;
  if (board.corner < 0 || !shape.points) {
    const moved = shifted(shape, dx * step, dy * step);
    return board.nudge("moved", keptInside(moved, board.size));
  }
  const [x, y] = shape.points[board.corner];
  const moved = gripped(shape, board.corner, [x + dx * step, y + dy * step]);
  return board.nudge("reshaped", clampedTo(moved, board.size));
}

function size(board, factor, zoom) {
  const chosen = board.chosen();
  if (!chosen) return BUTTONS[zoom](board);
  return board.nudge("reshaped", keptInside(scaled(chosen.shape, factor), board.size));
}

function remove(board) {
  const chosen = board.chosen();
  if (!chosen) return false;
  const corner = board.corner >= 0 && chosen.shape.kind === "polygon";
  return corner ? board.removeCorner() : board.remove();
}

function letGo(board) {
  if (board.corner >= 0) return board.hold(-1);
  return board.chosen() ? board.select("") : false;
}

function nextCorner(board, step) {
  const points = board.chosen()?.shape.points;
  if (!points) return false;
  const from = board.corner < 0 && step < 0 ? 0 : board.corner;
  board.setTool("adjust");
  return board.hold((from + step + points.length) % points.length);
}

function insert(board) {
  const chosen = board.chosen();
  if (board.corner < 0 || chosen?.shape.kind !== "polygon") return false;
  const { after, at } = sides(chosen.shape)[board.corner];
  board.nudge("reshaped", withCorner(chosen.shape, after, at));
  return board.hold(board.corner + 1);
}

/** A region in the middle of what is seen, a third of it across. */
function create(board) {
  const { view } = board;
  const [x, y] = onto(board.size, view.middle);
  const r = Math.min(...view.stage) / view.scale / 6;
  const line = board.markOf(board.current).shape === "line";
  const shape = line
    ? { kind: "line", points: [[x - r, y], [x + r, y]] }
    : ellipseIn([x - r, y - r], [x + r, y + r]);
  board.add(keptInside(shape, board.size), "Arrow keys move it, plus and minus size it.");
}
