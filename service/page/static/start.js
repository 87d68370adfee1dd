// Sends the photo, shows how far it is, then opens the reading.
"use strict";

const byId = (id) => document.getElementById(id);
const QUEUE_EVERY_MS = 2000;
let current = null;
let looking = null;

function say(text) {
  byId("step").textContent = text;
}

function fail(text) {
  byId("working").hidden = true;
  byId("failed-text").textContent = text;
  byId("failed").hidden = false;
  byId("again").focus();
}

// While a photo waits for its turn, say how many do and about how long that takes.
async function tellQueue() {
  try {
    const answer = await fetch("/api/health");
    const { waiting, expected_wait_s: seconds } = (await answer.json()).reader;
    if (!looking) return;
    say(waiting > 0
      ? `Waiting for its turn: ${waiting} in the queue, about ${seconds} s …`
      : "Looking at the rim …");
  } catch (error) { /* the photo's own request says what is wrong */ }
}

function watchQueue() {
  looking = setInterval(tellQueue, QUEUE_EVERY_MS);
}

function leaveQueue() {
  clearInterval(looking);
  looking = null;
}

function read({ file, key }) {
  const form = new FormData();
  form.append("photo", file);
  const request = new XMLHttpRequest(); // fetch cannot tell how much of a body has been sent
  const bar = byId("bar");
  request.open("POST", "/api/readings");
  request.setRequestHeader("Idempotency-Key", key);
  request.upload.addEventListener("progress", (event) => {
    if (!event.lengthComputable) return;
    bar.value = event.loaded / event.total;
    if (event.loaded === event.total) {
      bar.removeAttribute("value");
      say("Looking at the rim …");
      leaveQueue();
      watchQueue();
    }
  });
  request.addEventListener("loadend", leaveQueue);
  request.addEventListener("error", () => fail("The machine that runs Rimlight cannot be reached. Is it still on, and on this network?"));
  request.addEventListener("load", () => {
    let content = {};
    try { content = JSON.parse(request.responseText); } catch (error) { /* said below */ }
    if (request.status === 503 || request.status === 429) { // too much at once: the same key makes a later try safe
      say("Others are before you; waiting …");
      setTimeout(() => read({ file, key }), 1000 * Number(request.getResponseHeader("Retry-After") || 3));
    } else if (request.status === 201) {
      say("Done.");
      location.assign(`/readings/${content.id}`);
    } else {
      fail(content.detail || "The photo could not be read.");
    }
  });
  byId("failed").hidden = true;
  byId("working").hidden = false;
  byId("working").scrollIntoView({ block: "nearest" });
  bar.value = 0;
  say("Sending the photo …");
  request.send(form);
}

byId("take").addEventListener("change", (event) => {
  const file = event.target.files[0];
  if (!file) return;
  const preview = byId("preview");
  preview.src = URL.createObjectURL(file);
  preview.hidden = false;
  current = { file, key: newKey() };
  read(current);
});
byId("again").addEventListener("click", () => current && read(current));
window.addEventListener("pageshow", (event) => {
  if (!event.persisted) return; // back from the reading: ready for the next photo
  byId("working").hidden = true;
  byId("take").reset();
});
