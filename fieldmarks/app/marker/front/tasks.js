// What one press does from down to up: draw, stretch, move, reshape, slide or tap.
// Each task has move(p, step, event), p in photo pixels and step in CSS pixels, and end(), which
// runs once.

import { gripReach, handlesOf, hits } from "./ink.js";
import {
  apart, areaOf, boxOf, clampedTo, ellipseIn, gripped, keptInside, MIN_AREA, onto, outline, shifted,
  withCorner,
} from "./shapes.js";
import { isPlain, plainLoop } from "./stroke.js";

const FINE = 1.2; // CSS pixels an outline may leave the trail by
const CROSSES = "Your line crosses itself. Draw one plain loop.";
const OPEN = "Draw round the mark, back to where you began.";
const FOLLOWS = "The line left the photo, so it follows the edge.";
const STOPS = "It stops at the edge of the photo.";
const TRIMMED = "The ends crossed and were trimmed.";

class Task {
  off = false; // has it left the photo?
  moved = false; // further than a tap may tremble?

  constructor(board, start, more) {
    Object.assign(this, { board, start }, more);
  }

  /** The nearest point on the photo; remembers that the finger had left it. */
  inside(p) {
    const near = onto(this.board.size, p);
    this.off ||= apart(near, p) > 0;
    return near;
  }

  move() {}
}

/** A press that only counts when the finger stayed where it was. */
class Press extends Task {
  end() {
    if (!this.moved) this.act(this.start);
  }
}

class Slide extends Task {
  move(p, step) {
    this.board.view.slide(step);
  }

  end() {
    if (this.letsGo && !this.moved) this.board.select("");
  }
}

class Trail extends Task {
  needsLoupe = true;
  trail = [this.inside(this.start)];

  move(p) {
    this.trail.push(this.inside(p));
    this.board.draft = { kind: "line", points: this.trail };
  }

  end() {
    const { board, trail } = this;
    const { x0, y0, x1, y1 } = boxOf(trail);
    const tiny = (x1 - x0) * (y1 - y0) < MIN_AREA && apart([x0, y0], [x1, y1]) < 2 * MIN_AREA;
    if (!this.moved || tiny) return board.tapped(this.start);
    const loop = plainLoop(trail, FINE / board.view.scale);
    if (!loop) return board.say(CROSSES);
    if (areaOf(loop.points) < MIN_AREA) return board.say(OPEN);
    const note = [this.off && FOLLOWS, loop.trimmed && TRIMMED].filter(Boolean).join(" ");
    board.add({ kind: "polygon", points: loop.points }, note);
  }
}

class Stretch extends Task {
  needsLoupe = true;

  move(p, step, event) {
    const [from, to] = [this.inside(this.start), this.inside(p)];
    if (!this.round) this.shape = { kind: "line", points: [from, to] };
    else this.shape = ellipseIn(from, event.shiftKey ? squared(from, to) : to);
    this.board.draft = this.shape;
  }

  end() {
    const { board, shape } = this;
    if (!this.moved) return board.tapped(this.start);
    const flat = this.round && areaOf(outline(shape)) < MIN_AREA;
    if (flat) return board.say("Drag across the mark, from corner to corner.");
    board.add(shape, this.off ? STOPS : "");
  }
}

/** The end of a square that begins at a corner and reaches as far as the shorter way. */
function squared([x, y], [toX, toY]) {
  const side = Math.min(Math.abs(toX - x), Math.abs(toY - y));
  return [x + Math.sign(toX - x) * side, y + Math.sign(toY - y) * side];
}

class Carry extends Task {
  move(p) {
    if (!this.moved) return;
    const free = shifted(this.shape, p[0] - this.start[0], p[1] - this.start[1]);
    const shape = keptInside(free, this.board.size);
    this.off = shape !== free;
    this.board.change({ shape });
  }

  end() {
    if (this.moved) this.board.settle("moved", this.off ? STOPS : "");
  }
}

class Reshape extends Task {
  needsLoupe = true;

  /** The corner held; an ellipse has none. */
  get corner() {
    return this.shape.kind === "ellipse" ? -1 : this.grip;
  }

  move(p) {
    if (!this.moved) return;
    this.inside(p);
    this.board.corner = this.corner;
    this.board.change({ shape: clampedTo(gripped(this.shape, this.grip, p), this.board.size) });
  }

  end() {
    const { board } = this;
    if (!this.moved) return board.hold(this.added ? -1 : this.corner);
    const problem = problemOf(board.chosen().shape);
    if (!problem) return board.settle("reshaped", this.off ? STOPS : "");
    board.corner = -1;
    board.changing = null;
    board.say(problem);
  }
}

/** Why a shape cannot be measured, or an empty text. */
export function problemOf(shape) {
  const points = outline(shape);
  if (shape.kind === "line") return apart(...points) < 2 ? "A line needs two ends." : "";
  if (shape.kind === "polygon" && !isPlain(points)) return CROSSES;
  return areaOf(points) < MIN_AREA ? "That would leave nothing to measure." : "";
}

/** The task that a press at a screen point begins. */
export function taskFor(board, at, slides, near) {
  const { mode, tool } = board;
  const p = board.view.toPhoto(at);
  const press = (act) => new Press(board, p, { act });
  if (slides) return new Slide(board, p);
  if (mode === "taps") return press((q) => board.point(q));
  if (mode === "offers") {
    const offer = regionAt(board, at, near, board.offers);
    return press(() => offer && board.toggle(offer.mark));
  }
  if (tool === "outline") return new Trail(board, p);
  if (tool === "ellipse" || tool === "line") {
    return new Stretch(board, p, { round: tool === "ellipse" });
  }
  if (tool === "tap") return press((q) => board.tapped(q));
  const chosen = board.chosen();
  const held = chosen && gripAt(board, chosen.shape, at);
  if (held) return new Reshape(board, p, held);
  const hit = regionAt(board, at, near, board.regions);
  if (!hit) return new Slide(board, p, { letsGo: true });
  if (hit.id !== board.selected) board.select(hit.id);
  return new Carry(board, p, { shape: hit.shape });
}

/** What of a shape a press takes hold of: its grip and, with a corner added, the shape. */
function gripAt(board, shape, at) {
  const { corners, between, box } = handlesOf(shape, board.view);
  const far = (handle) => apart(handle.at, at);
  const best = (list, reach) =>
    list.filter((h) => far(h) <= reach).sort((a, b) => far(a) - far(b))[0];
  const corner = best(corners, gripReach(box));
  const side = best(between, Math.min(gripReach(box), 14));
  if (corner && (!side || far(corner) <= far(side))) return { grip: corner.grip, shape };
  if (!side) return null;
  const added = withCorner(shape, side.after, board.view.toPhoto(at));
  return { grip: side.after + 1, shape: added, added: true };
}

/** The smallest region under a point, or one whose line is near. */
function regionAt(board, at, near, regions) {
  const size = ({ shape }) => (shape.kind === "line" ? 0 : areaOf(outline(shape)));
  const under = regions.filter(({ shape }) => hits(shape, board.view, at, near));
  return under.sort((a, b) => size(a) - size(b))[0] ?? null;
}
