// One way for every page to send a photo: sendPhoto(file, extras) says how far it is and promises the answer.
//
// extras: { key      one key for all tries of this photo, by default a new one,
//           fields   more form fields by name: neutral, trace,
//           group    photos that belong together have the same,
//           onStep   called with { step, share, text }: step is "sending", "waiting", "looking" or "kept",
//                    share the part sent (0 to 1, null where it cannot be told), text a sentence to show }
// Promise: the reading as the interface gives it; { kept: true, text } where the photo waits in this browser until
// it can be sent; or an error whose message says what to do.
// sending.keepFirst(file, { key, group }) keeps a photo at once that is sent by sendPhoto later.
//
// The photo is kept in the browser first and sent then. It goes with one Idempotency-Key however often it is sent,
// so the machine that runs Rimlight reads it once. Needs common.js and keep.js.
"use strict";

window.sending = window.sending || (() => {
  const LOOK_EVERY_MS = 2000;
  const STALLED_MS = 6000; // without a sign: see whether the machine still answers
  const AWAY_MS = 15_000; // so long after a failure the next photo waits at once; the queue looks when it is back
  const MOST_WAITS = 40;
  const OUT_OF_REACH = "The machine that runs Rimlight cannot be reached. Is it still on, and on this network?";
  const KEPT = "Kept in this browser. It goes up by itself when the machine that runs Rimlight is in reach.";
  const NOT_PAIRED = "This device is not paired any more. The photo stays in this browser: pair again to send it.";
  const here = new Set(); // keys that this page is sending now
  const first = new Map(); // key of a photo whose turn comes later -> whether it is kept, promised
  let awayUntil = 0;

  function fillForm(file, fields) {
    const form = new FormData();
    form.append("photo", file, file.name || "photo");
    for (const [name, value] of Object.entries(fields || {})) form.append(name, value);
    return form;
  }

  async function askHealth() {
    const abort = new AbortController();
    const timer = setTimeout(() => abort.abort(), 4000);
    try {
      return await fetch("/api/health", { signal: abort.signal, cache: "no-store" });
    } finally {
      clearTimeout(timer);
    }
  }

  // While a photo waits for its turn, say how many do and about how long that takes; three times no answer is the end.
  function watchTurns(onStep, giveUp) {
    let over = false;
    let missed = 0;
    const timer = setInterval(async () => {
      try {
        const { reader } = await (await askHealth()).json();
        if (over) return;
        missed = 0;
        onStep(reader.waiting > 0
          ? { step: "waiting", share: null, text: `Waiting its turn: ${reader.waiting} before it, about ${reader.expected_wait_s} s …` }
          : { step: "looking", share: null, text: "Looking at the rim …" });
      } catch (error) {
        missed += 1;
        if (!over && missed === 3) giveUp();
      }
    }, LOOK_EVERY_MS);
    return () => { over = true; clearInterval(timer); };
  }

  // One try. Resolves with { status, content, waitS }; rejects only where the machine cannot be reached.
  function post(file, key, fields, onStep) {
    return new Promise((resolve, reject) => {
      const request = new XMLHttpRequest(); // fetch cannot tell how much of a body has been sent
      let stopWatching = () => {};
      let stalled = 0;
      let sent = false;
      let ended = false;
      const rewind = () => {
        clearTimeout(stalled);
        if (ended || sent) return;
        stalled = setTimeout(() => askHealth().then(rewind, () => request.abort()), STALLED_MS);
      };
      request.open("POST", "/api/readings");
      request.setRequestHeader("Idempotency-Key", key);
      request.upload.addEventListener("progress", (event) => {
        rewind();
        if (!event.lengthComputable) return;
        onStep({ step: "sending", share: event.loaded / event.total, text: "Sending the photo …" });
      });
      request.upload.addEventListener("load", () => {
        sent = true;
        clearTimeout(stalled);
        onStep({ step: "looking", share: null, text: "Looking at the rim …" });
        stopWatching();
        stopWatching = watchTurns(onStep, () => request.abort());
      });
      request.addEventListener("loadend", () => {
        clearTimeout(stalled);
        stopWatching();
        ended = true;
        if (request.status === 0) reject(new Error(OUT_OF_REACH));
      });
      request.addEventListener("load", () => {
        let content = {};
        try { content = JSON.parse(request.responseText); } catch (error) { /* the status says enough */ }
        resolve({ status: request.status, content, waitS: Number(request.getResponseHeader("Retry-After") || 3) });
      });
      onStep({ step: "sending", share: 0, text: "Sending the photo …" });
      rewind();
      request.send(fillForm(file, fields));
    });
  }

  // As long as the machine is merely busy, the same photo again. Returns { reading }, { refused } or { later }, the
  // last two with a sentence.
  async function deliver(file, key, fields, onStep) {
    here.add(key);
    const stopHolding = kept.keepHolding(key);
    try {
      for (let waits = 0; waits < MOST_WAITS; waits += 1) {
        const { status, content, waitS } = await post(file, key, fields, onStep);
        awayUntil = 0;
        if (status === 201) return { reading: content };
        if (status === 401 || status === 403) return { later: NOT_PAIRED, paired: false };
        if (status !== 503 && status !== 429) {
          const detail = content.detail || "The photo could not be read.";
          return status < 500 && status !== 408 ? { refused: detail } : { later: detail };
        }
        onStep({ step: "waiting", share: null, text: "Others are before you; waiting …" });
        await new Promise((resolve) => setTimeout(resolve, 1000 * waitS));
      }
      return { later: KEPT };
    } catch (error) {
      awayUntil = Date.now() + AWAY_MS;
      return { later: KEPT, unreachable: error.message };
    } finally {
      stopHolding();
      here.delete(key);
    }
  }

  function letWait(key) {
    here.delete(key);
    return { later: KEPT };
  }

  // Keeps a photo whose turn to be sent comes later; the queue leaves it to this page as long as the page is open.
  function keepFirst(file, { key, fields, group }) {
    here.add(key);
    const keeping = kept.add(file, key, fields, group).then(() => true, () => false);
    first.set(key, keeping); // false: no room, or a browser that keeps nothing; then the photo is only sent
    return keeping;
  }

  async function send(file, extras = {}) {
    const key = extras.key || newKey();
    const onStep = extras.onStep || (() => {});
    here.add(key); // before it is kept: the queue must not take it from under us
    const isKept = await (first.get(key) || keepFirst(file, { ...extras, key }));
    first.delete(key);
    const away = isKept && Date.now() < awayUntil;
    const { reading, refused, later, unreachable } = away
      ? letWait(key) : await deliver(file, key, extras.fields, onStep);
    if (reading || refused) {
      if (isKept) await kept.drop(key).catch(() => {});
      if (reading) return reading;
      throw new Error(refused);
    }
    if (!isKept) throw new Error(`${unreachable || later} This browser cannot keep the photo: stay on this page and try again.`);
    await kept.change(key, { said: later === KEPT ? "" : later, heldUntil: 0 }).catch(() => {});
    onStep({ step: "kept", share: null, text: later });
    return { kept: true, text: later };
  }

  return { here, askHealth, deliver, keepFirst, send, KEPT };
})();

function sendPhoto(file, extras) {
  return sending.send(file, extras);
}
