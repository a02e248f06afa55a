// What was drawn on a photo, kept in this browser: loading the page anew must not lose it.
// Whoever opens the same photo in this browser is asked; only the newest few photos are kept.

import { freeLetters } from "./letters.js";

const PREFIX = "fieldmarks drawn on ";
// Each load of the page writes under a name of its own: two tabs never overwrite each other.
const LOAD = `${Date.now().toString(36)}${Math.random().toString(36).slice(2, 8)}`;
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

const own = (photo) => `${PREFIX}${photo} ${LOAD}`;
function newestFirst(prefix) {
  try {
    const ours = Object.keys(localStorage).filter((key) => key.startsWith(prefix));
    return ours.sort((one, other) => entry(other).at - entry(one).at);
  } catch {
    return [];
  }
}

/**
 * What was drawn on a photo, of marks that are still known, and when; or null. The newest load of
 * the page has the say, others add the marks that it lacks.
 */
export function recall(photo, marks) {
  const keys = newestFirst(PREFIX + photo);
  const found = keys.map(entry);
  const all = [];
  for (const { regions } of found) {
    const had = new Set(all.map((r) => r.mark));
    all.push(...regions.filter((r) => marks.has(r?.mark) && !had.has(r.mark) && KINDS.includes(r.shape?.kind)));
  }
  if (!all.length) return null;
  return { at: found[0].at, regions: lettered(all, []), aside: found[0].aside, keys };
}

/** Regions under names of their own: no two alike, none of those taken. */
function lettered(regions, taken) {
  const used = new Set(taken);
  return regions.map((r) => {
    const id = used.has(r.id) ? freeLetters(new Set([...used, ...regions.map((o) => o.id)])).next().value : r.id;
    used.add(id);
    return { ...r, id };
  });
}

/** Remember what is drawn on a photo, in place of what it grew from; nothing drawn, nothing kept. */
export function remember({ photo, settled: regions, aside, name, from }) {
  try {
    if (!regions.length) return localStorage.removeItem(own(photo));
    for (const key of from) localStorage.removeItem(key);
    localStorage.setItem(own(photo), JSON.stringify({ at: Date.now(), name, regions, aside }));
    for (const key of newestFirst(PREFIX).slice(PHOTOS)) localStorage.removeItem(key);
  } catch {
    // A full or forbidden storage must not stop the drawing.
  }
}

const WANTED = "fieldmarks continue";

/** Whether the keeper has said already, on the first screen, that the marks on a photo are wanted. */
export function continues(name) {
  try {
    const wanted = JSON.parse(sessionStorage.getItem(WANTED) ?? "[]");
    sessionStorage.setItem(WANTED, JSON.stringify(wanted.filter((one) => one !== name)));
    return wanted.includes(name);
  } catch {
    return false;
  }
}

/** What was drawn on other photos of the day. */
function drawnBeside({ beside, marks }) {
  const found = beside.map((photo) => [photo, recall(photo, marks)?.regions]);
  return Object.fromEntries(found.filter(([, regions]) => regions));
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
  const { regions: old, aside, keys } = board.before;
  const regions = [...old, ...lettered(board.settled, old.map((r) => r.id))];
  board.before = null;
  board.from = keys;
  // Left ones are only forgotten when something else is drawn.
  if (back) board.commit("recalled", regions, old.at(-1), { aside, others: drawnBeside(board) });
  else if (board.settled.length) board.keep();
  const rest = "Look under The bird whether its species, variety and age are right.";
  board.say(back ? `Put back. Regions: ${regions.length}. ${rest}` : board.welcome());
  board.refresh();
  board.parts.stage.focus({ preventScroll: true });
}
