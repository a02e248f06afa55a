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

  /** The state before or after the one now shown; null if there is none. */
  step(now, undo) {
    const [from, to] = undo ? [this.past, this.future] : [this.future, this.past];
    if (!from.length) return null;
    to.push(now);
    return from.pop();
  }
}
