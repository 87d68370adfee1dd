// Keeps the page for taking photos, and what it needs, for when the machine that runs Rimlight is out of reach.
// Nothing of the gallery, of readings or of photos is kept. The server puts the files' names and a hash of them in.
"use strict";

const NAME = "rimlight-page-{{ version }}";
const FILES = {{ files }};
const AWAY = "/away";
const PATIENCE_MS = 4000;

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

// Fails once the machine gives no sign of life; a slow answer of a busy machine is waited for.
async function lookUntilGone(over) {
  for (;;) {
    await new Promise((resolve) => setTimeout(resolve, PATIENCE_MS));
    if (over.is) return new Promise(() => {});
    await fetch("/api/health", { signal: AbortSignal.timeout(PATIENCE_MS), cache: "no-store" });
  }
}

// The machine's own answer as long as there is one; what is kept only where there is none.
async function answerOr(request, keptAs) {
  const over = { is: false };
  try {
    return await Promise.race([fetch(request), lookUntilGone(over)]);
  } catch (error) {
    const found = await caches.match(keptAs);
    if (found) return found;
    throw error;
  } finally {
    over.is = true;
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== self.location.origin) return;
  if (request.mode === "navigate") event.respondWith(answerOr(request, AWAY));
  else if (FILES.includes(address.pathname)) event.respondWith(answerOr(request, address.pathname));
});
