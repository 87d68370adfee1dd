// Keeps the page for taking photos, and what it needs, for when the machine that runs Rimlight is out of reach.
// Nothing of the gallery, of readings or of photos is kept. The server puts the files' names and a hash of them in.
"use strict";

const NAME = "rimlight-page-{{ version }}";
const FILES = {{ files }};
const AWAY = "/away";
const PATIENCE_MS = 6000;

self.addEventListener("install", (event) => {
  const fresh = [AWAY, ...FILES].map((address) => new Request(address, { cache: "reload" }));
  event.waitUntil(caches.open(NAME).then((cache) => cache.addAll(fresh)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== NAME) await caches.delete(name);
    await self.clients.claim();
  })());
});

// The machine's own answer as long as there is one; what is kept only where there is none.
async function answerOr(request, keptAs) {
  const abort = new AbortController();
  const timer = setTimeout(() => abort.abort(), PATIENCE_MS);
  try {
    return await fetch(request, { signal: abort.signal });
  } catch (error) {
    const found = await caches.match(keptAs);
    if (found) return found;
    throw error;
  } finally {
    clearTimeout(timer);
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== self.location.origin) return;
  if (request.mode === "navigate") event.respondWith(answerOr(request, AWAY));
  else if (FILES.includes(address.pathname)) event.respondWith(answerOr(request, address.pathname));
});
