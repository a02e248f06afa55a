// The letters regions are shown with; the same rule as fieldmarks.measure.region.letters.

export function* freeLetters(taken) {
  const all = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";
  for (const first of ["", ...all]) {
    for (const second of all) if (!taken.has(first + second)) yield first + second;
  }
}
