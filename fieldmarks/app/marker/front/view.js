// Where the photo lies on the screen: screen = photo * scale + shift, all in CSS pixels.

import { clamp, middleOf } from "./shapes.js";

export const ZOOM_STEP = 1.4; // by button or key
const SMALL = 60; // CSS pixels; a region below this is hard to take hold of
const CLOSEST = 24; // times the whole photo

export class View {
  stage = [1, 1];
  photo = [1, 1];
  scale = 0;
  shift = [0, 0];

  get whole() {
    return Math.min(...this.stage.map((long, i) => long / this.photo[i]));
  }

  get zoom() {
    return this.scale / this.whole;
  }

  /** Middle of the stage, on the screen. */
  get centre() {
    return this.stage.map((long) => long / 2);
  }

  /** The same place, in photo pixels. */
  get middle() {
    return this.toPhoto(this.centre);
  }

  toScreen(p) {
    return p.map((v, i) => v * this.scale + this.shift[i]);
  }

  toPhoto(p) {
    return p.map((v, i) => (v - this.shift[i]) / this.scale);
  }

  showAll() {
    this.scale = this.whole;
    this.settle();
  }

  /** A new stage size; what was in the middle stays there. */
  resize(stage) {
    const { scale, middle, zoom } = this;
    this.stage = stage;
    if (scale) this.pin(middle, this.centre, this.whole * zoom);
    else this.showAll();
  }

  /** Zoom so that the photo under a screen point stays under it. */
  zoomAt(at, factor) {
    this.pin(this.toPhoto(at), at, this.scale * factor);
  }

  /** Bring a point of the photo under a point of the screen, at a scale. */
  pin(p, at, scale) {
    this.scale = clamp(scale, this.whole, this.whole * CLOSEST);
    this.shift = at.map((v, i) => v - p[i] * this.scale);
    this.settle();
  }

  /** Show a box of the photo, unless it is already seen and large enough to work on. */
  find({ x0, y0, x1, y1 }) {
    const [start, end] = [this.toScreen([x0, y0]), this.toScreen([x1, y1])];
    const long = Math.max(...end.map((v, i) => v - start[i]));
    const seen = start.every((v) => v >= 0) && end.every((v, i) => v <= this.stage[i]);
    if (seen && long > SMALL) return;
    const share = (0.4 * Math.min(...this.stage)) / long;
    this.pin(middleOf([x0, y0], [x1, y1]), this.centre, this.scale * share);
  }

  slide(step) {
    this.shift = this.shift.map((v, i) => v + step[i]);
    this.settle();
  }

  /** Never lose the photo: it fills the stage, or lies in its middle. */
  settle() {
    this.shift = this.shift.map((shift, i) => {
      const [long, stage] = [this.photo[i] * this.scale, this.stage[i]];
      if (long <= stage) return (stage - long) / 2;
      // A quarter of the stage may stay empty, so that an edge can be brought away from a corner.
      return clamp(shift, stage * 0.75 - long, stage * 0.25);
    });
  }
}
