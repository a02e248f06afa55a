// What was drawn on a photo, kept in this browser: loading the page anew must not lose it.
// Whoever opens the same photo in this browser is asked; only the newest few photos are kept.

import { lettered } from "./letters.js";
import { SHAPES } from "./shapes.js";
import { DRAWN, entries, keep, LOAD, tried, WANTED } from "./stored.js";

/**
 * What was drawn on a photo, of marks that are still known, and when; or null. The newest load of
 * the page has the say, others add the marks that it lacks.
 */
export function recall(photo, marks) {
  const found = entries(DRAWN + photo);
  const all = [];
  for (const { regions } of found) {
    const had = new Set(all.map((r) => r.mark));
    const fits = (r) => marks.has(r?.mark) && Object.hasOwn(SHAPES, r.shape?.kind);
    all.push(...[regions].flat().filter((r) => fits(r) && !had.has(r.mark)));
  }
  if (!all.length) return null;
  return { ...found[0], regions: lettered(all, []), keys: found.map((one) => one.key) };
}

/** Remember what is drawn on a photo, in place of what it grew from, if there is anything. */
export function remember({ photo, settled: regions, aside, name, from }) {
  const own = `${photo} ${LOAD}`;
  const old = regions.length ? from : [DRAWN + own];
  tried(() => old.forEach((key) => localStorage.removeItem(key)));
  if (regions.length) keep(DRAWN, own, { name, regions, aside });
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
