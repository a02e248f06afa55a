// Kept by the browser for when there is no line: one page, the sheet for a shop. Nothing else.

const KEPT = "fieldmarks sheet $print";
const SHEET = "/sheet";

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.add(SHEET)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const others = caches.keys().then((names) => Promise.all(names.filter((n) => n !== KEPT).map((n) => caches.delete(n))));
  event.waitUntil(others.then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  if (event.request.mode !== "navigate") return;
  event.respondWith(fetch(event.request).catch(() => caches.match(SHEET)));
});
