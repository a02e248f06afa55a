// What was drawn on a photo, kept in this browser: loading the page anew must not lose it.
// Whoever opens the same photo in this browser is asked; only the newest few photos are kept.

import { lettered } from "./letters.js";
import { SHAPES } from "./shapes.js";

const PREFIX = "fieldmarks drawn on ";
const WANTED = "fieldmarks continue";
// Each load of the page writes under a name of its own: two tabs never overwrite each other.
const LOAD = `${Date.now().toString(36)}${Math.random().toString(36).slice(2, 8)}`;
const PHOTOS = 12;

/** What an act gives: a full, forbidden or spoilt storage must not stop the drawing. */
function tried(act, otherwise) {
  try {
    return act();
  } catch {
    return otherwise;
  }
}

/** An entry of the storage; an empty one where there is none that can be read. */
function entry(key) {
  const read = () => {
    const { at, regions, aside } = JSON.parse(localStorage.getItem(key));
    return { key, at: Number(at) || 0, regions: [...regions], aside: aside ?? {} };
  };
  return tried(read, { key, at: 0, regions: [], aside: {} });
}

/** All entries whose names begin so, the newest first. */
function entries(prefix) {
  const keys = tried(() => Object.keys(localStorage), []);
  return keys.filter((key) => key.startsWith(prefix)).map(entry).sort((a, b) => b.at - a.at);
}

/**
 * What was drawn on a photo, of marks that are still known, and when; or null. The newest load of
 * the page has the say, others add the marks that it lacks.
 */
export function recall(photo, marks) {
  const found = entries(PREFIX + photo);
  const all = [];
  for (const { regions } of found) {
    const had = new Set(all.map((r) => r.mark));
    const fits = (r) => marks.has(r?.mark) && Object.hasOwn(SHAPES, r.shape?.kind);
    all.push(...regions.filter((r) => fits(r) && !had.has(r.mark)));
  }
  if (!all.length) return null;
  return { ...found[0], regions: lettered(all, []), keys: found.map((one) => one.key) };
}

/** Remember what is drawn on a photo, in place of what it grew from, if there is anything. */
export function remember({ photo, settled: regions, aside, name, from }) {
  const own = `${PREFIX}${photo} ${LOAD}`;
  tried(() => {
    if (!regions.length) return localStorage.removeItem(own);
    for (const key of from) localStorage.removeItem(key);
    localStorage.setItem(own, JSON.stringify({ at: Date.now(), name, regions, aside }));
    for (const { key } of entries(PREFIX).slice(PHOTOS)) localStorage.removeItem(key);
  });
}

/** Whether the keeper has said already, on the first screen, that a photo's marks are wanted. */
export function continues(name) {
  return tried(() => {
    const wanted = JSON.parse(sessionStorage.getItem(WANTED) ?? "[]");
    sessionStorage.setItem(WANTED, JSON.stringify(wanted.filter((one) => one !== name)));
    return wanted.includes(name);
  }, false);
}

/** What was drawn on other photos of the day. */
function drawnBeside({ beside, marks }) {
  const found = beside.map((photo) => [photo, recall(photo, marks)?.regions]);
  return Object.fromEntries(found.filter(([, regions]) => regions));
}

/** The question put to the keeper when something was drawn on this photo before. */
export function question({ at, regions }) {
  const when = new Date(at).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
  const one = regions.length === 1;
  const [what, them] = one ? ["1 region", "it"] : [`${regions.length} regions`, "them"];
  return `You drew ${what} on this photo before (${when}). Put ${them} back?`;
}

/** The keeper's answer: put the regions back, beside what was drawn since, or leave them. */
export function putBack(board, back) {
  const { regions: old, aside, keys } = board.before;
  const regions = [...old, ...lettered(board.settled, old.map((r) => r.id))];
  board.before = null;
  board.from = keys;
  // Left ones are only forgotten when something else is drawn.
  if (back) board.commit("recalled", regions, old.at(-1), { aside, others: drawnBeside(board) });
  else if (board.settled.length) remember(board);
  const rest = "Look under The bird whether its species, variety and age are right.";
  board.say(back ? `Put back. Regions: ${regions.length}. ${rest}` : board.welcome());
  board.parts.stage.focus({ preventScroll: true });
}
