// Everything a finger can do, done with keys.

import { clampedTo, ellipseIn, gripped, keptInside, scaled, shifted, sides, withCorner } from "./shapes.js";
import { ZOOM_STEP } from "./view.js";

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const SLIDE = 40; // CSS pixels per key press

export class Keys {
  constructor(board, hand) {
    this.board = board;
    this.hand = hand;
    board.parts.root.addEventListener("keydown", (e) => this.down(e));
    board.parts.root.addEventListener("keyup", (e) => {
      if (e.key === " ") hand.space = false;
    });
    board.parts.stage.addEventListener("blur", () => (hand.space = false));
  }

  down(e) {
    if (this.act(e)) {
      e.preventDefault();
      // The page has shortcuts of its own.
      e.stopPropagation();
    }
  }

  act(e) {
    const { board } = this;
    if (this.hand.busy || e.altKey) return false;
    const ctrl = e.ctrlKey || e.metaKey;
    const letter = e.key.toLowerCase();
    if (ctrl && letter === "z") return board.step(e.shiftKey ? "redo" : "undo");
    if (ctrl && letter === "y") return board.step("redo");
    if (ctrl) return false;
    const onStage = e.target === board.parts.stage;
    const onList = Boolean(e.target.closest?.(".list"));
    if (!onStage && !onList) return false;
    if (ARROWS[e.key]) return this.arrow(ARROWS[e.key], e.shiftKey ? 10 : 1);
    if (e.key === "+" || e.key === "=") return this.size(1);
    if (e.key === "-" || e.key === "_") return this.size(-1);
    if (e.key === "Delete" || e.key === "Backspace") return this.remove();
    if (e.key === "Escape") return this.letGo();
    if (e.key === "." || e.key === ",") return this.nextCorner(e.key === "." ? 1 : -1);
    if (e.key === "Insert") return this.insert();
    if (onStage && e.key === "Enter") return this.create();
    if (onStage && e.key === " ") return (this.hand.space = true);
    return false;
  }

  arrow([dx, dy], step) {
    const { board } = this;
    const chosen = board.chosen();
    if (!chosen) {
      board.view.slide(-dx * SLIDE, -dy * SLIDE);
      board.draw();
      return true;
    }
    const { shape } = chosen;
    if (board.corner >= 0 && shape.points) {
      const [x, y] = shape.points[board.corner];
      const moved = gripped(shape, `corner ${board.corner}`, [x + dx * step, y + dy * step]);
      board.nudge("reshaped", clampedTo(moved, board.size));
    } else {
      board.nudge("moved", keptInside(shifted(shape, dx * step, dy * step), board.size).shape);
    }
    return true;
  }

  size(sign) {
    const { board } = this;
    const chosen = board.chosen();
    if (!chosen) board.zoom(sign > 0 ? ZOOM_STEP : 1 / ZOOM_STEP);
    else {
      const shape = scaled(chosen.shape, sign > 0 ? 1.05 : 1 / 1.05);
      board.nudge("reshaped", keptInside(shape, board.size).shape);
    }
    return true;
  }

  remove() {
    const { board } = this;
    if (!board.chosen()) return false;
    if (board.corner >= 0 && board.chosen().shape.kind === "polygon") board.removeCorner();
    else board.remove();
    return true;
  }

  letGo() {
    const { board } = this;
    if (board.corner >= 0) board.hold(-1);
    else if (board.selected) board.select("");
    else return false;
    return true;
  }

  nextCorner(step) {
    const { board } = this;
    const points = board.chosen()?.shape.points;
    if (!points) return false;
    board.setTool("adjust");
    const from = board.corner < 0 && step < 0 ? 0 : board.corner;
    board.hold((from + step + points.length) % points.length);
    return true;
  }

  insert() {
    const { board } = this;
    const chosen = board.chosen();
    if (board.corner < 0 || chosen?.shape.kind !== "polygon") return false;
    const { after, at } = sides(chosen.shape)[board.corner];
    board.nudge("reshaped", withCorner(chosen.shape, after, at));
    board.hold(board.corner + 1);
    return true;
  }

  /** A region in the middle of what is seen, a third of it across. */
  create() {
    const { board } = this;
    const { view, size } = board;
    const [x, y] = view.middle.map((v, i) => Math.min(Math.max(v, 0), size[i]));
    const r = Math.min(...view.stage) / view.scale / 6;
    const line = board.shapeOf(board.current) === "line";
    const shape = line
      ? { kind: "line", points: [[x - r, y], [x + r, y]] }
      : ellipseIn([x - r, y - r], [x + r, y + r]);
    board.add(keptInside(shape, size).shape, "Arrow keys move it, plus and minus size it.");
    return true;
  }
}
