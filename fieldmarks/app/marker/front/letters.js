// The letters regions are shown with; the same rule as fieldmarks.measure.region.letters.

function* freeLetters(taken) {
  const all = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";
  for (const first of ["", ...all]) {
    for (const second of all) if (!taken.has(first + second)) yield first + second;
  }
}

/** Regions under names of their own, each keeping its own if it can: no two alike, none taken. */
export function lettered(regions, taken) {
  const used = new Set(taken);
  const free = freeLetters(new Set([...used, ...regions.map((r) => r.id)]));
  return regions.map((r) => {
    const id = r.id && !used.has(r.id) ? r.id : free.next().value;
    used.add(id);
    return { ...r, id };
  });
}
