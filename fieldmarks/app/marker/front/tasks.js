// What one press does from down to up: draw, stretch, move, reshape, slide or tap.
// Each task has move(p, at, event) and end(), both in photo pixels; end() runs once.

import { gripReach, handlesOf } from "./ink.js";
import {
  areaOf, boxOf, clampedTo, distanceTo, ellipseIn, gripped, holds, keptInside, MIN_AREA, outline, shifted,
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
  constructor(board, start) {
    this.board = board;
    this.start = start;
    this.off = false; // has it left the photo?
    this.moved = false; // further than a tap may tremble?
    this.needsLoupe = false;
  }

  /** The nearest point on the photo; remembers that the finger had left it. */
  inside([x, y]) {
    const [w, h] = this.board.size;
    const p = [Math.min(Math.max(x, 0), w), Math.min(Math.max(y, 0), h)];
    if (p[0] !== x || p[1] !== y) this.off = true;
    return p;
  }

  move() {}
}

/** A press that only counts when the finger stayed where it was. */
class Press extends Task {
  constructor(board, start, act) {
    super(board, start);
    this.act = act;
  }

  end() {
    if (!this.moved) this.act(this.start);
  }
}

class Slide extends Task {
  constructor(board, start, letsGo) {
    super(board, start);
    this.letsGo = letsGo;
  }

  move(p, step) {
    this.board.view.slide(...step);
  }

  end() {
    if (this.letsGo && !this.moved) this.board.select("");
  }
}

class Trail extends Task {
  constructor(board, start) {
    super(board, start);
    this.trail = [this.inside(start)];
    this.needsLoupe = true;
  }

  move(p) {
    this.trail.push(this.inside(p));
    this.board.draft = { kind: "polygon", points: this.trail, closed: false };
  }

  end() {
    const { board, trail } = this;
    const { x0, y0, x1, y1 } = boxOf(trail);
    const tiny = (x1 - x0) * (y1 - y0) < MIN_AREA && Math.hypot(x1 - x0, y1 - y0) < 2 * MIN_AREA;
    if (!this.moved || tiny) return board.tapped(this.start);
    const loop = plainLoop(trail, FINE / board.view.scale);
    if (!loop) return board.say(CROSSES);
    if (areaOf(loop.points) < MIN_AREA) return board.say(OPEN);
    const note = [this.off && FOLLOWS, loop.trimmed && TRIMMED].filter(Boolean).join(" ");
    board.add({ kind: "polygon", points: loop.points }, note);
  }
}

class Stretch extends Task {
  constructor(board, start, round) {
    super(board, start);
    this.from = this.inside(start);
    this.round = round;
    this.needsLoupe = true;
  }

  move(p, step, event) {
    const to = this.inside(p);
    if (!this.round) this.shape = { kind: "line", points: [this.from, to] };
    else this.shape = ellipseIn(this.from, event.shiftKey ? this.squared(to) : to);
    this.board.draft = { ...this.shape, closed: this.round };
  }

  squared([x, y]) {
    const [dx, dy] = [x - this.from[0], y - this.from[1]];
    const side = Math.min(Math.abs(dx), Math.abs(dy));
    return [this.from[0] + Math.sign(dx) * side, this.from[1] + Math.sign(dy) * side];
  }

  end() {
    const { board, shape } = this;
    if (!this.moved) return board.tapped(this.start);
    const flat = this.round && areaOf(outline(shape)) < MIN_AREA;
    if (flat) return board.say("Drag across the mark, from corner to corner.");
    board.add(shape, this.off ? STOPS : "");
  }
}

class Carry extends Task {
  constructor(board, start, region) {
    super(board, start);
    this.before = region;
  }

  move(p) {
    if (!this.moved) return;
    const free = shifted(this.before.shape, p[0] - this.start[0], p[1] - this.start[1]);
    const { shape, changed } = keptInside(free, this.board.size);
    this.off = changed;
    this.board.replace(this.before.id, { shape });
  }

  end() {
    if (this.moved) this.board.settle("moved", this.before, this.off ? STOPS : "");
  }
}

class Reshape extends Task {
  constructor(board, start, region, grip) {
    super(board, start);
    Object.assign(this, grip); // grip, shape, added
    this.before = region;
    this.needsLoupe = true;
  }

  get corner() {
    return this.before.shape.kind === "ellipse" ? -1 : Number(this.grip.split(" ")[1]);
  }

  move(p) {
    if (!this.moved) return;
    this.inside(p);
    this.board.corner = this.corner;
    const shape = clampedTo(gripped(this.shape, this.grip, p), this.board.size);
    this.board.replace(this.before.id, { shape });
  }

  end() {
    const { board, before } = this;
    if (!this.moved) return board.hold(this.added ? -1 : this.corner);
    const problem = problemOf(board.chosen().shape);
    if (problem) {
      board.corner = -1;
      board.replace(before.id, { shape: before.shape });
      return board.say(problem);
    }
    board.settle("reshaped", before, this.off ? STOPS : "");
  }
}

/** Why a shape cannot be measured, or an empty text. */
export function problemOf(shape) {
  const points = outline(shape);
  if (shape.kind === "line") {
    const long = Math.hypot(points[1][0] - points[0][0], points[1][1] - points[0][1]);
    return long < 2 ? "A line needs two ends." : "";
  }
  if (shape.kind === "polygon" && !isPlain(points)) return CROSSES;
  return areaOf(points) < MIN_AREA ? "That would leave nothing to measure." : "";
}

/** The task that a press at a screen point begins. */
export function taskFor(board, at, slides, near) {
  const p = board.view.toPhoto(at);
  if (slides) return new Slide(board, p, false);
  if (board.mode === "taps") return new Press(board, p, (q) => board.point(q));
  if (board.mode === "offers") {
    const hit = regionAt(board, at, near, board.offers);
    return new Press(board, p, () => hit && board.toggle(hit.mark));
  }
  if (board.tool === "outline") return new Trail(board, p);
  if (board.tool === "ellipse" || board.tool === "line") {
    return new Stretch(board, p, board.tool === "ellipse");
  }
  if (board.tool === "tap") return new Press(board, p, (q) => board.tapped(q));
  const chosen = board.chosen();
  const grip = chosen && gripAt(board, chosen.shape, at);
  if (grip) return new Reshape(board, p, chosen, grip);
  const hit = regionAt(board, at, near);
  if (!hit) return new Slide(board, p, true);
  if (hit.id !== board.selected) board.select(hit.id);
  return new Carry(board, p, hit);
}

function gripAt(board, shape, at) {
  const { corners, between, box } = handlesOf(shape, board.view);
  const far = (h) => Math.hypot(h.at[0] - at[0], h.at[1] - at[1]);
  const best = (list, reach) =>
    list.filter((h) => far(h) <= reach).sort((a, b) => far(a) - far(b))[0];
  const corner = best(corners, gripReach(box));
  const side = best(between, Math.min(gripReach(box), 14));
  if (corner && (!side || far(corner) <= far(side))) return { grip: corner.name, shape };
  if (!side) return null;
  const added = withCorner(shape, side.after, board.view.toPhoto(at));
  return { grip: `corner ${side.after + 1}`, shape: added, added: true };
}

/** The smallest region under a point, or one whose line is near. */
function regionAt(board, at, near, regions = board.regions) {
  const hits = regions.filter(({ shape }) => {
    const points = outline(shape).map((q) => board.view.toScreen(q));
    if (shape.kind !== "line" && holds(points, at)) return true;
    return points.some((q, i) => distanceTo(at, q, points[(i + 1) % points.length]) <= near);
  });
  const size = (r) => (r.shape.kind === "line" ? 0 : areaOf(outline(r.shape)));
  return hits.sort((a, b) => size(a) - size(b))[0] ?? null;
}
