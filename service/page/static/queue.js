// Sends what waits in this browser, oldest first, whenever the machine that runs Rimlight can be reached.
//
// Looks when a page opens or comes to the front, when the network comes back, and from time to time while something
// waits. Needs keep.js and send.js; waiting.js shows how it stands.
"use strict";

window.queue = window.queue || (() => {
  const LOOK_AGAIN_MS = [3000, 5000, 10_000, 20_000, 30_000];
  const steps = new Map(); // key of a photo on its way -> its last step
  const listeners = new Set();
  let running = false;
  let timer = 0;
  let misses = 0;
  let said = ""; // why nothing goes up, where it is more than out of reach

  function tell() {
    for (const listener of listeners) listener();
  }

  async function sendOne(note) {
    const content = await kept.find(note.key);
    if (!content) { // a browser that clears its storage may take the bytes and leave the note
      await kept.change(note.key, { state: "refused", said: "The browser has lost this photo: take it again." });
      return true;
    }
    const file = new File([content], note.name || "photo", { type: note.type });
    const onStep = (step) => { steps.set(note.key, step); tell(); };
    const { reading, refused, later, unreachable, paired } = await sending.deliver(file, note.key, note.fields, onStep);
    steps.delete(note.key);
    if (reading) await kept.change(note.key, { state: "read", reading: reading.id, said: reading.trim.verdict });
    else if (refused) await kept.change(note.key, { state: "refused", said: refused });
    else await kept.change(note.key, { said: unreachable ? "" : later, heldUntil: 0 });
    said = paired === false ? later : "";
    return !unreachable && !later;
  }

  // Whether the machine answers and lets this browser in.
  async function isInReach() {
    try {
      const answer = await sending.askHealth();
      said = answer.status === 401 ? "This device is not paired any more: pair it again and the photos go up." : "";
      return answer.ok;
    } catch (error) {
      said = "";
      return false;
    }
  }

  async function run() {
    clearTimeout(timer);
    if (running) return;
    running = true;
    let waits = false;
    try {
      waits = (await kept.list()).some((note) => note.state === "waiting" && !sending.here.has(note.key));
      if (waits && await isInReach()) {
        misses = 0;
        for (let note; (note = await kept.takeNext(sending.here)); ) {
          if (!await sendOne(note)) break;
        }
        waits = (await kept.list()).some((note) => note.state === "waiting" && !sending.here.has(note.key));
      }
    } catch (error) { /* a browser that keeps nothing has nothing to send */ }
    running = false;
    tell();
    if (!waits) return;
    timer = setTimeout(run, LOOK_AGAIN_MS[Math.min(misses, LOOK_AGAIN_MS.length - 1)]);
    misses += 1;
  }

  function runSoon() {
    misses = 0;
    return run();
  }

  window.addEventListener("online", runSoon);
  window.addEventListener("pageshow", runSoon);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) runSoon(); });
  window.addEventListener(kept.CHANGED, () => { if (!running) { clearTimeout(timer); timer = setTimeout(run, LOOK_AGAIN_MS[0]); } });

  return { steps, listeners, runSoon, why: () => said };
})();
