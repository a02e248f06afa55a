// States of the region list, for undo and redo.

const LIMIT = 100;

export class History {
  constructor() {
    this.past = [];
    this.future = [];
  }

  /** Remember the state that is about to be left. */
  leave(state) {
    this.past.push(state);
    if (this.past.length > LIMIT) this.past.shift();
    this.future = [];
  }

  back(now) {
    if (!this.past.length) return null;
    this.future.push(now);
    return this.past.pop();
  }

  forth(now) {
    if (!this.future.length) return null;
    this.past.push(now);
    return this.future.pop();
  }
}
