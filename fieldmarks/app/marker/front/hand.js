// Fingers, pen and mouse on the photo: one draws, two zoom and slide.

import { hideLoupe, showLoupe } from "./loupe.js";
import { taskFor } from "./tasks.js";

const STILL = { mouse: 4, pen: 6, touch: 9 }; // CSS pixels within which a press is a tap

export class Hand {
  constructor(board) {
    this.board = board;
    this.down = new Map(); // pointer id -> { at, start, type }
    this.task = null; // what the first finger is doing
    this.pinch = null; // what two fingers have hold of
    this.space = false; // is the space bar held?
    const { stage } = board.parts;
    const on = (name, act) => stage.addEventListener(name, act.bind(this), { passive: false });
    on("pointerdown", this.press);
    on("pointermove", this.move);
    on("pointerup", this.lift);
    on("pointercancel", this.cancel);
    on("wheel", this.wheel);
    on("contextmenu", (e) => e.preventDefault());
  }

  get busy() {
    return Boolean(this.task || this.pinch);
  }

  where(e) {
    const box = this.board.parts.stage.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  }

  press(e) {
    if (e.pointerType === "mouse" && e.button > 1) return;
    // A resting palm must not disturb the pen.
    if (e.pointerType === "touch" && [...this.down.values()].some((p) => p.type === "pen")) return;
    e.preventDefault();
    const { board } = this;
    board.flush();
    board.parts.stage.focus({ preventScroll: true, focusVisible: false });
    board.parts.stage.setPointerCapture(e.pointerId);
    const at = this.where(e);
    this.down.set(e.pointerId, { at, start: at, type: e.pointerType });
    if (this.down.size === 2) return this.startPinch();
    if (this.down.size > 2 || this.pinch) return;
    const slides = this.space || e.button === 1 || board.tool === "slide";
    this.task = taskFor(board, at, slides, (STILL[e.pointerType] ?? 6) + 3);
    this.task.pointer = e.pointerId;
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
    if (!task || task.pointer !== e.pointerId) return;
    const gone = Math.hypot(pointer.at[0] - pointer.start[0], pointer.at[1] - pointer.start[1]);
    task.moved ||= gone > (STILL[pointer.type] ?? 6);
    // A fast finger reports several places at once.
    const all = e.getCoalescedEvents?.() ?? [];
    for (const one of all.length ? all : [e]) {
      const at = this.where(one);
      task.move(board.view.toPhoto(at), [pointer.at[0] - last[0], pointer.at[1] - last[1]], e);
      if (!task.trail) break;
    }
    this.magnify(pointer.at);
    board.draw();
  }

  lift(e) {
    const pointer = this.down.get(e.pointerId);
    if (!pointer) return;
    this.down.delete(e.pointerId);
    if (this.pinch) {
      // A finger left over after a pinch must not begin to draw.
      if (!this.down.size) this.pinch = null;
      else this.pinch = this.grasp();
      return;
    }
    const { task } = this;
    if (task?.pointer === e.pointerId) this.finish(() => task.end());
  }

  cancel(e) {
    this.down.delete(e.pointerId);
    if (!this.down.size) this.pinch = null;
    if (this.task?.pointer === e.pointerId) this.finish(() => this.board.restore());
  }

  finish(act) {
    this.task = null;
    this.board.draft = null;
    hideLoupe(this.board);
    act();
    this.board.refresh();
  }

  magnify(at) {
    const type = this.down.get(this.task?.pointer)?.type;
    if (this.task?.needsLoupe && type !== "mouse") showLoupe(this.board, at);
  }

  startPinch() {
    // The first finger may have begun a line that was never meant.
    if (this.task) this.finish(() => this.board.restore());
    this.pinch = this.grasp();
  }

  spread() {
    const [a, b = a] = [...this.down.values()].map((p) => p.at);
    return {
      middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2],
      apart: Math.hypot(a[0] - b[0], a[1] - b[1]),
    };
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
    if (!e.ctrlKey && !e.metaKey) {
      board.hint("To zoom, hold Ctrl and turn the wheel.");
      return;
    }
    e.preventDefault();
    const lines = e.deltaMode === 1 ? 30 : 1;
    board.view.zoomAt(this.where(e), Math.exp(-e.deltaY * lines * 0.002));
    board.draw();
  }
}
