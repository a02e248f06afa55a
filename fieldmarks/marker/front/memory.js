// What was drawn on a photo, kept in this browser: loading the page anew must not lose it.
// It never leaves the browser; only the newest few photos are remembered.

const PREFIX = "fieldmarks drawn on ";
const PHOTOS = 12;

/** What was drawn on a photo, of marks that are still known, and when; or null. */
export function recall(photo, marks) {
  try {
    const { at, regions } = JSON.parse(localStorage.getItem(PREFIX + photo));
    const known = regions.filter((r) => marks.has(r.mark));
    return known.length ? { at, regions: known } : null;
  } catch {
    return null; // no storage in this browser, or not ours
  }
}

/** Remember what is drawn on a photo; nothing drawn, nothing remembered. */
export function remember(photo, regions) {
  try {
    if (!regions.length) return localStorage.removeItem(PREFIX + photo);
    localStorage.setItem(PREFIX + photo, JSON.stringify({ at: Date.now(), regions }));
    const ours = Object.keys(localStorage).filter((key) => key.startsWith(PREFIX));
    const age = (key) => JSON.parse(localStorage.getItem(key)).at;
    ours.sort((one, other) => age(other) - age(one));
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

/** The keeper's answer: put the regions back, or forget them. */
export function putBack(board, back) {
  board.flush();
  const { regions } = board.before;
  board.before = null;
  if (back) board.commit("recalled", regions, regions.at(-1));
  else remember(board.photo, board.settled);
  board.say(back ? `Put back. Regions: ${regions.length}.` : board.welcome());
  board.refresh();
  board.parts.stage.focus({ preventScroll: true });
}
