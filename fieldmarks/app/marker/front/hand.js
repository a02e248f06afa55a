// Fingers, pen and mouse on the photo: one draws, two zoom and slide.

import { showLoupe } from "./loupe.js";
import { apart, middleOf } from "./shapes.js";
import { taskFor } from "./tasks.js";

const STILL = { mouse: 4, pen: 6, touch: 9 }; // CSS pixels within which a press is a tap

export class Hand {
  down = new Map(); // pointer id -> { at, start, type }
  task = null; // what the first finger is doing
  pinch = null; // what two fingers have hold of
  space = false; // is the space bar held?

  constructor(board) {
    this.board = board;
    this.stage = board.parts.stage;
    const on = (name, act) => this.stage.addEventListener(name, act.bind(this), { passive: false });
    on("pointerdown", this.press);
    on("pointermove", this.move);
    on("pointerup", (e) => this.lift(e, (task) => task.end()));
    on("pointercancel", (e) => this.lift(e, () => (board.changing = null)));
    on("wheel", this.wheel);
    on("contextmenu", (e) => e.preventDefault());
  }

  get busy() {
    return Boolean(this.task || this.pinch);
  }

  where(e) {
    const box = this.stage.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  }

  press(e) {
    if (e.pointerType === "mouse" && e.button > 1) return;
    // A resting palm must not disturb the pen.
    if (e.pointerType === "touch" && [...this.down.values()].some((p) => p.type === "pen")) return;
    e.preventDefault();
    const { board } = this;
    board.flush();
    this.stage.focus({ preventScroll: true, focusVisible: false });
    this.stage.setPointerCapture(e.pointerId);
    const at = this.where(e);
    this.down.set(e.pointerId, { at, start: at, type: e.pointerType });
    if (this.down.size === 2) {
      // The first finger may have begun a line that was never meant.
      if (this.task) this.finish(() => (board.changing = null));
      this.pinch = this.grasp();
    }
    if (this.down.size > 1 || this.pinch) return;
    const slides = this.space || e.button === 1 || board.tool === "slide";
    this.task = taskFor(board, at, slides, (STILL[e.pointerType] ?? 6) + 3);
    this.task.pointer = e.pointerId;
    board.refresh();
    this.magnify(at);
  }

  move(e) {
    const pointer = this.down.get(e.pointerId);
    if (!pointer) return;
    e.preventDefault();
    const { task, board } = this;
    const last = pointer.at;
    pointer.at = this.where(e);
    if (this.pinch) return this.movePinch();
    if (task?.pointer !== e.pointerId) return;
    task.moved ||= apart(pointer.at, pointer.start) > (STILL[pointer.type] ?? 6);
    const step = [pointer.at[0] - last[0], pointer.at[1] - last[1]];
    // A fast finger reports several places at once.
    const all = (task.trail && e.getCoalescedEvents?.()) || [];
    for (const one of all.length ? all : [e]) {
      task.move(board.view.toPhoto(this.where(one)), step, e);
    }
    board.draw();
    this.magnify(pointer.at);
  }

  lift(e, act) {
    if (!this.down.delete(e.pointerId)) return;
    // A finger left over after a pinch must not begin to draw.
    if (this.pinch) this.pinch = this.down.size ? this.grasp() : null;
    else if (this.task?.pointer === e.pointerId) this.finish(act);
  }

  finish(act) {
    const { board, task } = this;
    this.task = null;
    board.draft = null;
    board.parts.loupe.hidden = true;
    act(task);
    board.refresh();
  }

  magnify(at) {
    const type = this.down.get(this.task?.pointer)?.type;
    if (this.task?.needsLoupe && type !== "mouse") showLoupe(this.board, at);
  }

  spread() {
    const [a, b = a] = [...this.down.values()].map((p) => p.at);
    return { middle: middleOf(a, b), apart: apart(a, b) };
  }

  /** What the fingers have hold of: a place on the photo, and how far apart it was taken. */
  grasp() {
    const { view } = this.board;
    const { middle, apart } = this.spread();
    return { held: view.toPhoto(middle), apart: Math.max(apart, 10), scale: view.scale };
  }

  // Reckoned from the start of the pinch, so that nothing drifts while the photo meets an edge.
  movePinch() {
    const { held, apart, scale } = this.pinch;
    const now = this.spread();
    const factor = this.down.size > 1 ? now.apart / apart : 1;
    this.board.view.pin(held, now.middle, scale * factor);
    this.board.draw();
  }

  wheel(e) {
    const { board } = this;
    if (!e.ctrlKey && !e.metaKey) return board.hint("To zoom, hold Ctrl and turn the wheel.");
    e.preventDefault();
    const lines = e.deltaMode === 1 ? 30 : 1;
    board.view.zoomAt(this.where(e), Math.exp(-e.deltaY * lines * 0.002));
    board.draw();
  }
}
