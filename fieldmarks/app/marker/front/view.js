// Where the photo lies on the screen: screen = photo * scale + shift, all in CSS pixels.

export const ZOOM_STEP = 1.4; // by button or key
const SMALL = 60; // CSS pixels; a region below this is hard to take hold of
const CLOSEST = 24; // times the whole photo

export class View {
  constructor() {
    this.stage = [1, 1];
    this.photo = [1, 1];
    this.scale = 0;
    this.x = 0;
    this.y = 0;
  }

  get whole() {
    return Math.min(this.stage[0] / this.photo[0], this.stage[1] / this.photo[1]);
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

  toScreen([x, y]) {
    return [x * this.scale + this.x, y * this.scale + this.y];
  }

  toPhoto([x, y]) {
    return [(x - this.x) / this.scale, (y - this.y) / this.scale];
  }

  showAll() {
    this.scale = this.whole;
    this.settle();
  }

  /** A new stage size; what was in the middle stays there. */
  resize(stage) {
    const first = !this.scale;
    const [middle, zoom] = first ? [null, 1] : [this.middle, this.zoom];
    this.stage = stage;
    if (first) return this.showAll();
    this.pin(middle, this.centre, this.whole * zoom);
  }

  /** Zoom so that the photo under a screen point stays under it. */
  zoomAt(at, factor) {
    this.pin(this.toPhoto(at), at, this.scale * factor);
  }

  /** Bring a point of the photo under a point of the screen, at a scale. */
  pin([px, py], [sx, sy], scale) {
    this.scale = Math.min(Math.max(scale, this.whole), this.whole * CLOSEST);
    this.x = sx - px * this.scale;
    this.y = sy - py * this.scale;
    this.settle();
  }

  /** Show a box of the photo, unless it is already seen and large enough to work on. */
  find({ x0, y0, x1, y1 }) {
    const [left, top] = this.toScreen([x0, y0]);
    const [right, bottom] = this.toScreen([x1, y1]);
    const long = Math.max(right - left, bottom - top);
    const seen = left >= 0 && top >= 0 && right <= this.stage[0] && bottom <= this.stage[1];
    if (seen && long > SMALL) return;
    const share = (0.4 * Math.min(...this.stage)) / long;
    this.pin([(x0 + x1) / 2, (y0 + y1) / 2], this.centre, this.scale * share);
  }

  slide(dx, dy) {
    this.x += dx;
    this.y += dy;
    this.settle();
  }

  /** Never lose the photo: it fills the stage, or lies in its middle. */
  settle() {
    const place = (shift, photo, stage) => {
      const long = photo * this.scale;
      if (long <= stage) return (stage - long) / 2;
      // A quarter of the stage may stay empty, so that an edge can be brought away from a corner.
      return Math.min(Math.max(shift, stage * 0.75 - long), stage * 0.25);
    };
    this.x = place(this.x, this.photo[0], this.stage[0]);
    this.y = place(this.y, this.photo[1], this.stage[1]);
  }
}
