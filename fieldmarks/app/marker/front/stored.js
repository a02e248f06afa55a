// What this browser keeps of the keeper's work: read with care, for a storage may be full, forbidden
// or spoilt, and that must not stop anything.

export const DRAWN = "fieldmarks drawn on ";
export const WANTED = "fieldmarks continue"; // names of photos whose marks the keeper wants back
// Each load of the page writes under a name of its own: two tabs never overwrite each other.
export const LOAD = `${Date.now().toString(36)}${Math.random().toString(36).slice(2, 8)}`;
export const PHOTOS = 12; // kept at most, of photos and of days

/** What an act gives, or something else where it fails. */
export function tried(act, otherwise) {
  try {
    return act() ?? otherwise;
  } catch {
    return otherwise;
  }
}

export const stored = (key, otherwise) => tried(() => JSON.parse(localStorage.getItem(key)), otherwise);

/** All entries whose names begin so, with their keys, the newest first. */
export function entries(prefix) {
  const keys = tried(() => Object.keys(localStorage), []).filter((key) => key.startsWith(prefix));
  return keys.map((key) => ({ at: 0, ...stored(key, {}), key })).sort((a, b) => b.at - a.at);
}

/** Write an entry; of those whose names begin so the oldest go. */
export function keep(prefix, name, entry) {
  tried(() => {
    localStorage.setItem(prefix + name, JSON.stringify({ at: Date.now(), ...entry }));
    for (const { key } of entries(prefix).slice(PHOTOS)) localStorage.removeItem(key);
  });
}
