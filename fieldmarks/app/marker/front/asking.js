// What is asked for next: the three places to tap, the outlines offered, one mark after another.

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
    if (this.asked) return this.say(this.welcome());
    this.send("taps", { taps: this.points });
    this.say("Looking for the marks …");
  }

  byHand() {
    this.taps = [];
    this.send("taps", { taps: {} });
    this.say(this.welcome());
  }

  toggle(mark) {
    if (!this.off.delete(mark)) this.off.add(mark);
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
    if (this.mode === "taps") return this.point(null);
    const passed = this.current;
    const next = this.onward(passed);
    this.send("skipped", { mark: passed });
    this.say(next ? `Draw round the ${this.markOf(next).name}.` : "Nothing else would tell much.");
  }

  welcome() {
    if (this.mode === "taps") return "Then the marks are found for you.";
    if (this.mode !== "draw") return "";
    if (this.done) return "All marks that help are drawn.";
    const way = this.tool === "line" ? "along" : "round";
    const coarse = window.matchMedia("(pointer: coarse)").matches;
    const zooms = coarse ? "Two fingers zoom." : "Ctrl and wheel zooms.";
    return `Draw ${way} the ${this.markOf(this.current).name}. ${zooms}`;
  }

  asksOf(mark) {
    const { name, kind } = this.markOf(mark);
    if (kind === "card") return `Is this the ${name}?`;
    return `Is this all of the ${name}, patches of another colour too?`;
  }

  tapped(p) {
    const at = tidied(p);
    const { shape, name } = this.markOf(this.current);
    if (shape === "line") return this.say("Drag from one end to the other.");
    const on = at.every((v, i) => v >= 0 && v < this.size[i]);
    if (!on) return this.say("Tap on the photo itself.");
    this.say(`Looking for the edge of the ${name} …`);
    // Zoomed in, a smaller mark is meant.
    const seen = this.view.stage.map((long, i) => Math.min(long / this.view.scale, this.size[i]));
    this.send("tap", { mark: this.current, at, reach: REACH * Math.min(...seen) });
  }

  /** Keep or drop what is suggested, or all outlines offered that are not taken off. */
  answer(keep) {
    const { suggestion, offers } = this;
    if (this.mode !== "offers") {
      if (keep) return this.add(suggestion.shape, "", suggestion.mark, "kept");
      this.suggestion = null;
      this.send("dropped", { mark: suggestion.mark });
      return this.say("Suggestion dropped.");
    }
    this.last = "";
    this.offers = [];
    const kept = this.made(keep ? offers.filter((one) => !this.off.has(one.mark)) : []);
    if (!kept.length) this.send("dropped");
    else this.commit("kept", [...this.settled, ...kept], kept[0], {}, true);
    this.say(kept.length ? `Kept: ${kept.length}. Adjust mends a corner.` : "");
  }
}
