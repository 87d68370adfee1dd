// One way for every page to send a photo: sendPhoto(file, extras) says how far it is and promises the answer.
//
// extras: { key      one key for all tries of this photo, by default a new one,
//           fields   more form fields by name: neutral, trace,
//           onStep   called with { step, share, text }: step is "sending", "waiting", "looking" or "kept",
//                    share the part sent (0 to 1, null where it cannot be told), text a sentence to show }
// Promise: the reading as the interface gives it; { kept: true } where the photo waits in this browser until
// it can be sent; or an error whose message says what to do.
"use strict";

const LOOK_EVERY_MS = 2000;
const OUT_OF_REACH = "The machine that runs Rimlight cannot be reached. Is it still on, and on this network?";

function fillForm(file, fields) {
  const form = new FormData();
  form.append("photo", file);
  for (const [name, value] of Object.entries(fields || {})) form.append(name, value);
  return form;
}

// While a photo waits for its turn, say how many do and about how long that takes.
function watchTurns(onStep) {
  let over = false;
  const timer = setInterval(async () => {
    try {
      const { reader } = await (await fetch("/api/health")).json();
      if (over) return;
      onStep(reader.waiting > 0
        ? { step: "waiting", share: null, text: `Waiting its turn: ${reader.waiting} before it, about ${reader.expected_wait_s} s …` }
        : { step: "looking", share: null, text: "Looking at the rim …" });
    } catch (error) { /* the photo's own request says what is wrong */ }
  }, LOOK_EVERY_MS);
  return () => { over = true; clearInterval(timer); };
}

// One try. Resolves with { status, content, waitS }; rejects only where the machine cannot be reached.
function postPhoto(file, key, fields, onStep) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest(); // fetch cannot tell how much of a body has been sent
    let stopWatching = () => {};
    request.open("POST", "/api/readings");
    request.setRequestHeader("Idempotency-Key", key);
    request.upload.addEventListener("progress", (event) => {
      if (!event.lengthComputable) return;
      onStep({ step: "sending", share: event.loaded / event.total, text: "Sending the photo …" });
    });
    request.upload.addEventListener("load", () => {
      onStep({ step: "looking", share: null, text: "Looking at the rim …" });
      stopWatching();
      stopWatching = watchTurns(onStep);
    });
    request.addEventListener("loadend", () => stopWatching());
    request.addEventListener("error", () => reject(new Error(OUT_OF_REACH)));
    request.addEventListener("load", () => {
      let content = {};
      try { content = JSON.parse(request.responseText); } catch (error) { /* the status says enough */ }
      resolve({ status: request.status, content, waitS: Number(request.getResponseHeader("Retry-After") || 3) });
    });
    onStep({ step: "sending", share: 0, text: "Sending the photo …" });
    request.send(fillForm(file, fields));
  });
}

async function sendPhoto(file, extras = {}) {
  const key = extras.key || newKey();
  const onStep = extras.onStep || (() => {});
  for (;;) {
    const { status, content, waitS } = await postPhoto(file, key, extras.fields, onStep);
    if (status === 201) return content;
    if (status !== 503 && status !== 429) throw new Error(content.detail || "The photo could not be read.");
    onStep({ step: "waiting", share: null, text: "Others are before you; waiting …" }); // the same key makes a later try safe
    await new Promise((resolve) => setTimeout(resolve, 1000 * waitS));
  }
}
