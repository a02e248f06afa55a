// What is asked for next: the three places to tap, the outlines offered, one mark after another.

import { freeLetters } from "./letters.js";
import { tidied } from "./shapes.js";

const REACH = 0.18; // share of what is seen that a suggestion may stretch from the finger

/** The part of the board that asks; the board itself draws, keeps and sends. */
export class Asking {
  /** What a press on the photo means: "taps", "offers" or "draw". */
  get mode() {
    if (this.before || this.suggestion) return "draw";
    if (this.offers.length) return "offers";
    return this.asked ? "taps" : "draw";
  }

  /** Whether nothing is left that would tell much. */
  get done() {
    return !this.coming.length && this.settled.some((r) => r.mark === this.current);
  }

  /** The place asked for now, or nothing. */
  get asked() {
    return this.taps.find(({ key }) => !(key in this.points));
  }

  /** A tap on the place asked for; null: it is not in sight. */
  point(at) {
    this.points[this.asked.key] = at;
    // Nothing can be placed without the eye.
    if (this.points.eye === null) return this.byHand();
    if (this.asked) this.say(this.welcome());
    else {
      this.send("taps", { taps: this.points });
      this.say("Looking for the marks …");
    }
    this.refresh();
  }

  byHand() {
    this.taps = [];
    this.send("taps", { taps: {} });
    this.say(this.welcome());
    this.refresh();
  }

  toggle(mark) {
    if (!this.off.delete(mark)) this.off.add(mark);
    this.refresh();
  }

  takeOffers(keep) {
    this.last = "";
    const kept = keep ? this.offers.filter((one) => !this.off.has(one.mark)) : [];
    this.offers = [];
    const taken = new Set(this.letters().values());
    const regions = kept.map(({ mark, shape, note }) => {
      const id = freeLetters(taken).next().value;
      taken.add(id);
      return { id, mark, shape: tidied(shape), value: null, note };
    });
    if (!regions.length) this.send("dropped");
    else this.commit("kept", [...this.settled, ...regions], regions[0], {}, true);
    this.say(regions.length ? `Kept: ${regions.length}. Adjust mends a corner.` : "");
    this.refresh();
  }

  /** On to the mark that tells most of those neither drawn nor passed over. */
  onward(passed = "") {
    const drawn = new Set(this.settled.map((r) => r.mark));
    const next = this.coming.find((mark) => mark !== passed && !drawn.has(mark));
    if (next && next !== this.current) this.turnTo(next);
    return next;
  }

  /** A mark of which nothing is left is the one to draw now. */
  askAgain(regions) {
    const gone = this.settled.find(({ mark }) => !regions.some((r) => r.mark === mark));
    if (gone && regions.length < this.settled.length) this.turnTo(gone.mark);
  }

  skip() {
    this.flush();
    if (this.mode === "taps") return this.point(null);
    const passed = this.current;
    const next = this.onward(passed);
    this.send("skipped", { mark: passed });
    this.say(next ? `Draw round the ${this.nameOf(next)}.` : "Nothing else would tell much.");
    this.refresh();
  }

  more() {
    this.pick(this.last);
  }

  welcome() {
    if (this.mode === "taps") return "Then the marks are found for you.";
    if (this.mode !== "draw") return "";
    if (this.done) return "All marks that help are drawn.";
    const what = `Draw ${this.tool === "line" ? "along" : "round"} the ${this.nameOf(this.current)}`;
    return window.matchMedia("(pointer: coarse)").matches
      ? `${what}. Two fingers zoom.`
      : `${what}. Ctrl and wheel zooms.`;
  }

  asksOf(mark) {
    const name = this.nameOf(mark);
    if (this.marks.get(mark)?.kind === "card") return `Is this the ${name}?`;
    return `Is this all of the ${name}, patches of another colour too?`;
  }

  tapped(p) {
    const [w, h] = this.size;
    const at = p.map((v) => Math.round(v * 100) / 100);
    if (this.shapeOf(this.current) === "line") return this.say("Drag from one end to the other.");
    if (at[0] < 0 || at[1] < 0 || at[0] >= w || at[1] >= h) return this.say("Tap on the photo itself.");
    this.say(`Looking for the edge of the ${this.nameOf(this.current)} …`);
    // Zoomed in, a smaller mark is meant.
    const seen = this.view.stage.map((long, i) => Math.min(long / this.view.scale, this.size[i]));
    this.send("tap", { mark: this.current, at, reach: REACH * Math.min(...seen) });
  }

  answer(keep) {
    const { suggestion } = this;
    this.flush();
    if (keep) {
      this.add(suggestion.shape, "", suggestion.mark, "kept");
    } else {
      this.suggestion = null;
      this.send("dropped", { mark: suggestion.mark });
      this.say("Suggestion dropped.");
    }
    this.refresh();
    this.parts.stage.focus({ preventScroll: true });
  }
}
