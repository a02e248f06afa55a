// The board: what is drawn, what is chosen, and the messages to and from Python.

import { wireKeys } from "./actions.js";
import { Asking } from "./asking.js";
import { Hand } from "./hand.js";
import { ink } from "./ink.js";
import { lettered } from "./letters.js";
import { continues, putBack, recall, remember } from "./memory.js";
import { DRAWS, partsOf, showPanel, wirePanel } from "./panel.js";
import { boxOf, clamp, outline, tidied } from "./shapes.js";
import { problemOf } from "./tasks.js";
import { View } from "./view.js";

const PAUSE = 600; // ms without a key press after which a row of them counts as one step
const BASE = 1000; // CSS pixels; width the photo is laid out at before it is scaled
const STATES = 101; // the newest ones, to undo and redo

const sameKey = (r) => [r.id, r.mark, Object.entries(tidied(r.shape)).sort()];
const drawnKey = (regions) => JSON.stringify(regions.map(sameKey));
const wholeKey = (regions) => JSON.stringify(regions.map((r) => [sameKey(r), r.value, r.note]));

class Board extends Asking {
  constructor() {
    super();
    this.sent = 0; // serial of the newest event
    this.lastDraw = "outline";
    this.explains = false; // where the mark lies
    this.forget();
  }

  forget() {
    clearTimeout(this.timer);
    Object.assign(this, { timer: 0, waiting: null, draft: null, suggestion: null, before: null });
    Object.assign(this, { selected: "", corner: -1, last: "", from: [], unheard: [] });
    Object.assign(this, { coming: [], offers: [], off: new Set(), taps: [], points: {} });
    // What undo and redo step through, where we are, and what a hand or key is just changing.
    Object.assign(this, { states: [[]], at: 0, changing: null });
    this.view = new View();
  }

  mount(root) {
    this.parts = partsOf(root);
    this.laid = ""; // a new stage has no height yet
    this.hand = new Hand(this);
    wireKeys(this);
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
    this.unheard = this.unheard.filter((event) => event.serial > data.seen);
    if (!fresh && (this.hand.busy || this.timer)) {
      this.waiting = data;
      return;
    }
    const said = JSON.stringify(data.aside) !== JSON.stringify(this.aside);
    const { photo, name, size, aside, coming, beside, drawing } = data;
    Object.assign(this, { photo, name, size, aside, coming, beside, drawing });
    this.marks = new Map(data.marks.map((m) => [m.key, m]));
    this.odd = new Set(data.odd);
    this.view.photo = size;
    if (this.parts.photo.getAttribute("src") !== data.src) this.parts.photo.src = data.src;
    this.parts.again.setAttribute("href", data.src);
    // An answer to an older event must not undo a newer stroke.
    if (fresh || data.seen >= this.sent) this.adopt(data, fresh);
    // A stroke by mistake must not add to marks that are all there.
    if (fresh && this.mode === "draw" && this.done) this.tool = "slide";
    if (data.seen >= this.sent) this.waits(false);
    if (!fresh && said && !this.before && this.settled.length) remember(this);
    this.layout();
    this.refresh();
    if (this.before && continues(name)) this.does(() => putBack(this, true));
    if (fresh && !this.parts.note.textContent && !this.suggestion) this.say(this.welcome());
  }

  adopt(data, fresh) {
    const { regions, suggestion, note, offers } = data;
    let opened = fresh;
    if (wholeKey(regions) !== wholeKey(this.settled)) {
      const redrawn = drawnKey(regions) !== drawnKey(this.settled);
      if (!fresh && redrawn) this.enter(regions);
      else this.states[this.at] = regions;
      if (!this.chosen()) this.selected = "";
      if (redrawn) this.corner = -1;
      if (!regions.length) opened = true; // the same photo once more
      else if (!fresh && !this.before) remember(this);
    }
    if (opened) this.before = regions.length ? null : recall(this.photo, this.marks);
    const news = suggestion && JSON.stringify(suggestion) !== JSON.stringify(this.suggestion);
    this.suggestion = suggestion;
    if (news) this.say(this.asksOf(suggestion.mark));
    if (note && (note !== this.noted || data.seen !== this.noteSeen)) this.say(note);
    this.noted = note;
    this.noteSeen = data.seen;
    if (data.current !== this.current) this.turnTo(data.current);
    const offered = JSON.stringify(offers.map((one) => one.mark));
    if (offered !== JSON.stringify(this.offers.map((one) => one.mark))) {
      const many = offers.length;
      if (many) this.say(`${many} ${many === 1 ? "mark" : "marks"} found.`);
      this.off = new Set(offers.filter((one) => !one.likely).map((one) => one.mark));
    }
    this.offers = offers;
    if (JSON.stringify(data.taps) !== JSON.stringify(this.taps)) this.points = {};
    this.taps = data.taps;
  }

  // ---- what Python hears

  /** A turning sign beside the sentence once Python takes longer than a second. */
  waits(on) {
    clearTimeout(this.slow);
    const show = () => this.parts.root.setAttribute("aria-busy", String(on));
    if (on) this.slow = setTimeout(show, 1000);
    else show();
  }

  send(kind, { region = "", mark = "", ...more } = {}) {
    this.sent = Math.max(Date.now(), this.sent + 1);
    const { photo, current: next, settled: regions } = this;
    const event = { serial: this.sent, photo, kind, region, mark, next, ...more, regions };
    if (!this.before) remember(this);
    this.waits(true);
    // A run that is overtaken may not have dealt with its event: it comes along with the next.
    this.post({ ...event, missed: this.unheard });
    this.unheard = [...this.unheard, event];
  }

  commit(kind, regions, region, more = {}, onward = false) {
    this.enter(regions);
    this.suggestion = null;
    if (onward) this.onward();
    this.send(kind, { region: region.id, mark: region.mark, ...more });
  }

  // ---- what the keeper does

  /** One thing done: first what keys have moved is sent, unless it moves on; then all is shown. */
  does(act, from = this.parts.stage, nudges = false) {
    if (!nudges) this.flush();
    const done = act();
    this.refresh();
    // What was pressed may be gone.
    if (!from.getClientRects().length) this.parts.stage.focus({ preventScroll: true });
    return done;
  }

  // ---- regions

  /** The regions as last sent. */
  get settled() {
    return this.states[this.at];
  }

  /** The regions as shown. */
  get regions() {
    const { changing } = this;
    return changing ? this.settled.map((r) => (r.id === changing.id ? changing : r)) : this.settled;
  }

  /** On to another state, which forgets those undone. */
  enter(regions) {
    this.states = [...this.states.slice(0, this.at + 1), regions].slice(-STATES);
    this.at = this.states.length - 1;
    this.changing = null;
  }

  chosen() {
    return this.regions.find((r) => r.id === this.selected) ?? null;
  }

  /** What is known of a mark. */
  markOf(key) {
    return this.marks.get(key) ?? { key, name: key, look: "", shape: "area", dash: "solid" };
  }

  titleOf(region) {
    return `${this.letters().get(region.id)}, ${this.markOf(region.mark).name}`;
  }

  /** Same rule as fieldmarks.measure.region.letters. */
  letters() {
    const own = this.regions.map(({ id }) => ({ id: /^[A-Z]{1,2}$/.test(id) ? id : "" }));
    const shown = lettered(own, []);
    return new Map(this.regions.map(({ id }, i) => [id, shown[i].id]));
  }

  /** Regions to be added: of marks and shapes, under the next letters. */
  made(drawn) {
    const whole = drawn.map(({ mark, shape, note = "" }) => (
      { mark, shape: tidied(shape), value: null, note }
    ));
    return lettered(whole, this.letters().values());
  }

  add(shape, note = "", mark = this.current, kind = "drawn") {
    const [region] = this.made([{ mark, shape }]);
    this.selected = region.id;
    this.corner = -1;
    this.last = mark;
    this.commit(kind, [...this.settled, region], region, {}, true);
    this.say(`${this.titleOf(region)}: ${kind}. ${note}`);
  }

  /** Change the chosen region on the screen only; settle() must follow, or changing be emptied. */
  change(change) {
    this.changing = { ...this.chosen(), ...change };
  }

  settle(kind, note = "") {
    const chosen = this.chosen();
    this.change({ shape: tidied(chosen.shape) });
    this.commit(kind, this.regions, chosen);
    this.say(`${this.titleOf(chosen)}: ${kind}. ${note}`);
  }

  /** A step by key: shown at once, sent when the keys have been still for a moment. */
  nudge(kind, shape) {
    const problem = problemOf(shape);
    if (problem) return this.say(problem);
    if (this.nudged !== kind) this.flush();
    this.nudged = kind;
    this.change({ shape });
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.does(() => {}), PAUSE);
  }

  flush() {
    if (!this.timer) return;
    clearTimeout(this.timer);
    this.timer = 0;
    if (this.chosen()) this.settle(this.nudged);
  }

  rename(mark) {
    this.change({ mark });
    this.settle("renamed");
  }

  remove() {
    const region = this.chosen();
    const title = this.titleOf(region);
    this.selected = "";
    this.corner = -1;
    const rest = this.settled.filter((r) => r.id !== region.id);
    this.askAgain(rest);
    this.commit("deleted", rest, region);
    this.say(`${title}: deleted.`);
  }

  removeCorner() {
    const { shape } = this.chosen();
    if (shape.points.length <= 3) return this.say("Three corners are the least.");
    const less = { ...shape, points: shape.points.toSpliced(this.corner, 1) };
    const problem = problemOf(less);
    if (problem) return this.say(problem);
    this.corner = -1;
    this.change({ shape: less });
    this.settle("reshaped", "One corner less.");
  }

  /** Undo (-1) or redo (1). */
  step(by) {
    const undo = by < 0;
    const state = this.states[this.at + by];
    if (!state) return this.say(undo ? "Nothing to undo." : "Nothing to redo.");
    this.askAgain(state);
    this.at += by;
    if (!this.chosen()) this.selected = "";
    this.corner = -1;
    this.send(undo ? "undo" : "redo");
    this.say(`${undo ? "Undone" : "Done again"}. Regions: ${state.length}.`);
  }

  // ---- tools and marks

  setTool(tool) {
    if (DRAWS.area.includes(tool)) this.lastDraw = tool;
    this.tool = tool;
    this.corner = -1;
  }

  /** Ready to draw another mark, with the tool last used for its sort. */
  turnTo(mark) {
    const { shape, whole } = this.markOf(mark);
    this.current = mark;
    this.tool = whole && this.lastDraw === "tap" ? "outline" : this.lastDraw;
    if (shape === "line") this.tool = "line";
    this.corner = -1;
  }

  pick(mark) {
    this.turnTo(mark);
    this.send("picked", { mark });
    this.say(`Now draw the ${this.markOf(mark).name}.`);
  }

  select(id, fromList = false) {
    this.selected = id;
    this.corner = -1;
    if (!id) return;
    if (fromList) {
      this.tool = "adjust";
      this.view.find(boxOf(outline(this.chosen().shape)));
    }
    this.say(`${this.titleOf(this.chosen())}: chosen.`);
  }

  /** Take hold of one corner of the chosen region; -1 lets go. */
  hold(corner) {
    this.corner = corner;
    const corners = this.chosen()?.shape.points?.length ?? 4;
    if (corner >= 0) this.say(`Corner ${corner + 1} of ${corners}.`);
  }

  // ---- view

  layout() {
    const { stage } = this.parts;
    const wide = stage.clientWidth;
    if (!wide || !this.size) return;
    const shape = `${wide} ${this.photo}`;
    // A phone's address bar changes the window's height while scrolling; the photo must not jump.
    if (shape !== this.laid || stage.clientHeight < 50) {
      const most = Math.max(window.innerHeight * (wide < 640 ? 0.46 : 0.62), 300);
      const fit = (wide * this.size[1]) / this.size[0];
      stage.style.height = `${Math.round(clamp(fit, 240, most))}px`;
      this.laid = shape;
    }
    this.view.resize([wide, stage.clientHeight]);
    this.draw();
  }

  draw() {
    const { mode, tool, parts, view } = this;
    if (!view.scale) return;
    const { style } = parts.photo;
    const [w, h] = this.size;
    style.width = `${BASE}px`;
    style.height = `${(BASE * h) / w}px`;
    const [x, y] = view.shift;
    style.transform = `translate(${x}px, ${y}px) scale(${(view.scale * w) / BASE})`;
    // A swipe over the photo scrolls the page when nothing there can be drawn or slid.
    const still = mode !== "draw" || tool === "slide" || tool === "tap";
    parts.stage.dataset.swipe = still && view.zoom < 1.01 ? "page" : "photo";
    ink(this, parts.ink);
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
