// What was drawn on a photo, kept in this browser: loading the page anew must not lose it.
// Whoever opens the same photo in this browser is asked; only the newest few photos are kept.

import { freeLetters } from "./letters.js";

const PREFIX = "fieldmarks drawn on ";
const PHOTOS = 12;
const KINDS = ["polygon", "ellipse", "rectangle", "line"];

/** An entry of the storage; an empty one where there is none, or none that can be read. */
function entry(key) {
  try {
    const { at, regions, aside } = JSON.parse(localStorage.getItem(key));
    return { at: Number(at) || 0, regions: [...regions], aside: aside ?? {} };
  } catch {
    return { at: 0, regions: [], aside: {} };
  }
}

/** What was drawn on a photo, of marks that are still known, and when; or null. */
export function recall(photo, marks) {
  const { at, regions, aside } = entry(PREFIX + photo);
  const known = regions.filter((r) => marks.has(r?.mark) && KINDS.includes(r.shape?.kind));
  return known.length ? { at, regions: known, aside } : null;
}

/** Remember what is drawn on a photo and said beside it; nothing drawn, nothing remembered. */
export function remember(photo, regions, aside) {
  try {
    if (!regions.length) return localStorage.removeItem(PREFIX + photo);
    localStorage.setItem(PREFIX + photo, JSON.stringify({ at: Date.now(), regions, aside }));
    const ours = Object.keys(localStorage).filter((key) => key.startsWith(PREFIX));
    ours.sort((one, other) => entry(other).at - entry(one).at);
    for (const key of ours.slice(PHOTOS)) localStorage.removeItem(key);
  } catch {
    // A full or forbidden storage must not stop the drawing.
  }
}

/** The question put to the keeper when something was drawn on this photo before. */
export function question({ at, regions }) {
  const when = new Date(at).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
  const [what, them] = regions.length === 1 ? ["1 region", "it"] : [`${regions.length} regions`, "them"];
  return `You drew ${what} on this photo before (${when}). Put ${them} back?`;
}

/** The keeper's answer: put the regions back, beside what was drawn since, or leave them. */
export function putBack(board, back) {
  board.flush();
  const { regions: old, aside } = board.before;
  const taken = new Set(old.map((r) => r.id));
  const since = board.settled.map((r) => {
    const id = taken.has(r.id) ? freeLetters(taken).next().value : r.id;
    taken.add(id);
    return { ...r, id };
  });
  const regions = [...old, ...since];
  board.before = null;
  // Left ones are only forgotten when something else is drawn.
  if (back) board.commit("recalled", regions, old.at(-1), aside);
  else if (board.settled.length) board.keep();
  const rest = "Look under The bird whether its species, variety and age are right.";
  board.say(back ? `Put back. Regions: ${regions.length}. ${rest}` : board.welcome());
  board.refresh();
  board.parts.stage.focus({ preventScroll: true });
}
