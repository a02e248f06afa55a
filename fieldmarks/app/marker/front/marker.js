// The board: what is drawn, what is chosen, and the messages to and from Python.

import { Asking } from "./asking.js";
import { Hand } from "./hand.js";
import { History } from "./history.js";
import { ink } from "./ink.js";
import { Keys } from "./keys.js";
import { freeLetters } from "./letters.js";
import { continues, putBack, recall, remember } from "./memory.js";
import { DRAWS, partsOf, showPanel, showSwipe, wirePanel } from "./panel.js";
import { boxOf, outline, tidied, withoutCorner } from "./shapes.js";
import { problemOf } from "./tasks.js";
import { View } from "./view.js";

const PAUSE = 600; // ms without a key press after which a row of them counts as one step
const BASE = 1000; // CSS pixels; width the photo is laid out at before it is scaled

const sameKey = (r) => [r.id, r.mark, Object.entries(tidied(r.shape)).sort()];
const drawnKey = (regions) => JSON.stringify(regions.map(sameKey));
const wholeKey = (regions) => JSON.stringify(regions.map((r) => [sameKey(r), r.value, r.note]));

class Board extends Asking {
  constructor() {
    super();
    this.sent = 0; // serial of the newest event
    this.lastDraw = "outline";
    this.forget();
  }

  forget() {
    clearTimeout(this.timer);
    Object.assign(this, { timer: 0, waiting: null, draft: null, suggestion: null, before: null });
    Object.assign(this, { regions: [], settled: [], selected: "", corner: -1, last: "", from: [] });
    Object.assign(this, { coming: [], offers: [], off: new Set(), taps: [], points: {} });
    this.history = new History();
    this.view = new View();
  }

  mount(root) {
    this.parts = partsOf(root);
    this.laid = ""; // a new stage has no height yet
    this.hand = new Hand(this);
    this.keys = new Keys(this, this.hand);
    wirePanel(this);
    this.parts.photo.addEventListener("error", () =>
      this.say("The photo did not arrive. Reload the page."),
    );
    this.watch = new ResizeObserver(() => this.layout());
    this.watch.observe(this.parts.stage);
  }

  unmount(root) {
    if (this.parts?.root !== root) return;
    this.flush();
    this.watch.disconnect();
  }

  // ---- what Python says

  take(data) {
    const fresh = data.photo !== this.photo;
    if (fresh) this.forget();
    if (!fresh && (this.hand.busy || this.timer)) {
      this.waiting = data;
      return;
    }
    this.marks = new Map(data.marks.map((m) => [m.key, m]));
    this.photo = data.photo;
    this.name = data.name;
    this.size = data.size;
    const said = JSON.stringify(data.aside) !== JSON.stringify(this.aside);
    this.aside = data.aside;
    this.coming = data.coming;
    this.beside = data.beside;
    this.odd = new Set(data.odd);
    this.drawing = data.drawing;
    this.view.photo = data.size;
    const { photo } = this.parts;
    if (photo.getAttribute("src") !== data.src) photo.src = data.src;
    // An answer to an older event must not undo a newer stroke.
    if (fresh || data.seen >= this.sent) this.adopt(data, fresh);
    // A stroke by mistake must not add to marks that are all there.
    if (fresh && this.mode === "draw" && this.done) this.tool = "slide";
    if (data.seen >= this.sent) this.waits(false);
    if (!fresh && said && !this.before && this.settled.length) this.keep();
    this.layout();
    this.refresh();
    if (this.before && continues(data.name)) putBack(this, true);
    if (fresh && !this.parts.note.textContent && !this.suggestion) this.say(this.welcome());
  }

  adopt(data, fresh) {
    let opened = fresh;
    if (wholeKey(data.regions) !== wholeKey(this.settled)) {
      const redrawn = drawnKey(data.regions) !== drawnKey(this.settled);
      if (!fresh && redrawn) this.history.leave(this.settled);
      this.regions = this.settled = data.regions;
      if (!this.chosen()) this.selected = "";
      if (redrawn) this.corner = -1;
      if (!data.regions.length) opened = true; // the same photo once more
      else if (!fresh && !this.before) this.keep();
    }
    if (opened) this.before = data.regions.length ? null : recall(data.photo, this.marks);
    const asked = JSON.stringify(data.suggestion);
    const news = data.suggestion && asked !== JSON.stringify(this.suggestion);
    this.suggestion = data.suggestion;
    if (news) this.say(this.asksOf(data.suggestion.mark));
    if (data.note && (data.note !== this.noted || data.seen !== this.noteSeen)) this.say(data.note);
    this.noted = data.note;
    this.noteSeen = data.seen;
    if (data.current !== this.current) this.turnTo(data.current);
    const offered = (offers) => JSON.stringify(offers.map((one) => one.mark));
    if (offered(data.offers) !== offered(this.offers)) {
      const many = data.offers.length;
      if (many) this.say(`${many} ${many === 1 ? "mark" : "marks"} found.`);
      this.off = new Set(data.offers.filter((one) => !one.likely).map((one) => one.mark));
    }
    this.offers = data.offers;
    if (JSON.stringify(data.taps) !== JSON.stringify(this.taps)) this.points = {};
    this.taps = data.taps;
  }

  // ---- what Python hears

  keep() {
    remember(this);
  }

  /** A turning sign beside the sentence once Python takes longer than a second. */
  waits(on) {
    clearTimeout(this.slow);
    const show = (slow) => {
      this.parts.root.classList.toggle("slow", slow);
      this.parts.root.setAttribute("aria-busy", String(slow));
    };
    if (on) this.slow = setTimeout(show, 1000, true);
    else show(false);
  }

  send(kind, { region = "", mark = "", ...more } = {}) {
    this.sent = Math.max(Date.now(), this.sent + 1);
    const event = { serial: this.sent, photo: this.photo, kind, region, mark, next: this.current };
    if (!this.before) this.keep();
    this.waits(true);
    this.post({ ...event, ...more, regions: this.settled });
  }

  commit(kind, regions, region, more = {}, onward = false) {
    this.history.leave(this.settled);
    this.regions = this.settled = regions;
    this.suggestion = null;
    if (onward) this.onward();
    this.send(kind, { region: region.id, mark: region.mark, ...more });
    this.refresh();
  }

  // ---- regions

  chosen() {
    return this.regions.find((r) => r.id === this.selected) ?? null;
  }

  nameOf(mark) {
    return this.marks.get(mark)?.name ?? mark;
  }

  shapeOf(mark) {
    return this.marks.get(mark)?.shape ?? "area";
  }

  dashOf(mark) {
    return this.marks.get(mark)?.dash ?? "solid";
  }

  titleOf(region) {
    return `${this.letters().get(region.id)}, ${this.nameOf(region.mark)}`;
  }

  /** Same rule as fieldmarks.app.marker.wire.letters. */
  letters() {
    const own = this.regions.map((r) => r.id).filter((id) => /^[A-Z]{1,2}$/.test(id));
    const free = freeLetters(new Set(own));
    return new Map(this.regions.map(({ id }) => [id, own.includes(id) ? id : free.next().value]));
  }

  add(shape, note = "", mark = this.current, kind = "drawn") {
    const id = freeLetters(new Set(this.letters().values())).next().value;
    const region = { id, mark, shape: tidied(shape), value: null, note: "" };
    this.selected = id;
    this.corner = -1;
    this.last = mark;
    this.commit(kind, [...this.settled, region], region, {}, true);
    this.say(`${this.titleOf(region)}: ${kind}. ${note}`);
  }

  /** Change a region on the screen only; settle() or restore() must follow. */
  replace(id, change) {
    this.regions = this.regions.map((r) => (r.id === id ? { ...r, ...change } : r));
  }

  restore() {
    this.regions = this.settled;
  }

  settle(kind, before, note = "") {
    const region = this.regions.find((r) => r.id === before.id);
    const whole = { ...region, shape: tidied(region.shape) };
    this.commit(kind, this.regions.map((r) => (r.id === before.id ? whole : r)), whole);
    this.say(`${this.titleOf(whole)}: ${kind}. ${note}`);
  }

  /** A step by key: shown at once, sent when the keys have been still for a moment. */
  nudge(kind, shape) {
    const problem = problemOf(shape);
    if (problem) return this.say(problem);
    if (this.timer && this.nudged !== kind) this.flush();
    this.nudged = kind;
    this.replace(this.selected, { shape });
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.flush(), PAUSE);
    this.draw();
  }

  flush() {
    if (!this.timer) return;
    clearTimeout(this.timer);
    this.timer = 0;
    if (this.chosen()) this.settle(this.nudged, this.chosen());
  }

  rename(mark) {
    this.flush();
    this.replace(this.selected, { mark });
    this.settle("renamed", this.chosen());
  }

  remove() {
    this.flush();
    const region = this.chosen();
    if (!region) return;
    const title = this.titleOf(region);
    this.selected = "";
    this.corner = -1;
    const rest = this.settled.filter((r) => r.id !== region.id);
    this.askAgain(rest);
    this.commit("deleted", rest, region);
    this.say(`${title}: deleted.`);
    this.parts.stage.focus({ preventScroll: true });
  }

  removeCorner() {
    this.flush();
    const region = this.chosen();
    if (region.shape.points.length <= 3) return this.say("Three corners are the least.");
    const shape = withoutCorner(region.shape, this.corner);
    const problem = problemOf(shape);
    if (problem) return this.say(problem);
    this.corner = -1;
    this.replace(region.id, { shape });
    this.settle("reshaped", region, "One corner less.");
    this.parts.stage.focus({ preventScroll: true });
  }

  step(kind) {
    this.flush();
    const undo = kind === "undo";
    const state = this.history.step(this.settled, undo);
    if (!state) this.say(undo ? "Nothing to undo." : "Nothing to redo.");
    else {
      this.askAgain(state);
      this.regions = this.settled = state;
      this.corner = -1;
      if (!this.chosen()) this.selected = "";
      this.send(kind);
      this.say(`${undo ? "Undone" : "Done again"}. Regions: ${state.length}.`);
    }
    this.refresh();
    return true;
  }

  // ---- tools and marks

  setTool(tool) {
    this.flush();
    if (DRAWS.area.includes(tool)) this.lastDraw = tool;
    this.tool = tool;
    this.corner = -1;
    this.refresh();
  }

  /** Ready to draw another mark, with the tool last used for its sort. */
  turnTo(mark) {
    this.current = mark;
    const whole = this.marks.get(mark)?.whole && this.lastDraw === "tap";
    this.tool = this.shapeOf(mark) === "line" ? "line" : whole ? "outline" : this.lastDraw;
    this.corner = -1;
  }

  pick(mark) {
    this.flush();
    this.turnTo(mark);
    this.send("picked", { mark });
    this.say(`Now draw the ${this.nameOf(mark)}.`);
    this.refresh();
  }

  select(id, fromList = false) {
    this.flush();
    this.selected = id;
    this.corner = -1;
    if (id && fromList) {
      this.tool = "adjust";
      this.view.find(boxOf(outline(this.chosen().shape)));
    }
    if (id) this.say(`${this.titleOf(this.chosen())}: chosen.`);
    this.refresh();
  }

  /** Take hold of one corner of the chosen region; -1 lets go. */
  hold(corner) {
    this.corner = corner;
    if (corner >= 0) this.say(`Corner ${corner + 1} of ${this.chosen().shape.points?.length ?? 4}.`);
    this.refresh();
  }

  // ---- view

  zoom(factor) {
    this.view.zoomAt(this.view.centre, factor);
    this.draw();
  }

  showAll() {
    this.view.showAll();
    this.draw();
  }

  layout() {
    const { stage } = this.parts;
    const wide = stage.clientWidth;
    if (!wide || !this.size) return;
    const shape = `${wide} ${this.photo}`;
    // A phone's address bar changes the window's height while scrolling; the photo must not jump.
    if (shape !== this.laid || stage.clientHeight < 50) {
      const most = Math.max(window.innerHeight * (wide < 640 ? 0.46 : 0.62), 300);
      const fit = (wide * this.size[1]) / this.size[0];
      stage.style.height = `${Math.round(Math.min(Math.max(fit, 240), most))}px`;
      this.laid = shape;
    }
    this.view.resize([wide, stage.clientHeight]);
    this.draw();
  }

  draw() {
    if (!this.view.scale) return;
    const { photo } = this.parts;
    const [w, h] = this.size;
    photo.style.width = `${BASE}px`;
    photo.style.height = `${(BASE * h) / w}px`;
    const { x, y, scale } = this.view;
    photo.style.transform = `translate(${x}px, ${y}px) scale(${(scale * w) / BASE})`;
    showSwipe(this);
    ink(this, this.parts.ink);
  }

  refresh() {
    this.draw();
    showPanel(this);
    const { waiting } = this;
    if (waiting && !this.hand.busy && !this.timer) {
      this.waiting = null;
      this.take(waiting);
    }
  }

  // ---- words

  say(text) {
    const { note } = this.parts;
    // A screen reader only speaks a text that changed.
    note.textContent = note.textContent === text.trim() ? `${text.trim()}\u00a0` : text.trim();
  }

  hint(text) {
    if (this.parts.note.textContent !== text) this.say(text);
  }
}

// Kept for the life of the page: Streamlit may take the drawing down and put it up again.
const boards = new Map();

export default function ({ data, parentElement, setStateValue }) {
  const root = parentElement.querySelector(".board");
  if (!boards.has(data.key)) boards.set(data.key, new Board());
  const board = boards.get(data.key);
  if (board.parts?.root !== root) board.mount(root);
  board.post = (event) => setStateValue("event", event);
  board.take(data);
  return () => board.unmount(root);
}
