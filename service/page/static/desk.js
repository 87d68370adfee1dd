// Every page of the desk: remove and undo, a notice that outlives the page it was made on, pictures that may lack.
"use strict";

const NOTICE_KEY = "rimlight-notice";

// Go to another page and say there what was done, with its undo.
function goWithNotice(address, text, change) {
  sessionStorage.setItem(NOTICE_KEY, JSON.stringify({ text, change }));
  if (address === location.pathname + location.search) location.reload();
  else location.assign(address);
}

function showKeptNotice() {
  const kept = sessionStorage.getItem(NOTICE_KEY);
  if (kept === null) return;
  sessionStorage.removeItem(NOTICE_KEY);
  const { text, change } = JSON.parse(kept);
  if (change) showNotice(text, "Undo", () => undoAndReload(change));
  else showNotice(text);
}

async function undoAndReload(change) {
  showNotice("Taking it back …");
  try {
    const { content } = await sendJson("POST", "/api/undo", { change });
    goWithNotice(location.pathname + location.search, "Undone.", content.change);
  } catch (error) {
    showNotice(error.message);
  }
}

async function removeRecord(button) {
  button.disabled = true;
  try {
    const { content } = await sendJson("DELETE", button.dataset.remove);
    const then = button.dataset.then || location.pathname + location.search;
    goWithNotice(then, `${button.dataset.called || "It"} was removed.`, content.change);
  } catch (error) {
    showNotice(error.message);
    button.disabled = false;
  }
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-undo], [data-remove]");
  if (button === null) return;
  if (button.dataset.undo) undoAndReload(button.dataset.undo);
  else removeRecord(button);
});
// A strip may lack: a photo without a rim has none. Then its place goes, quietly.
for (const picture of document.querySelectorAll("img[data-may-fail]")) {
  const drop = () => { (picture.closest("figure") || picture).hidden = true; };
  picture.addEventListener("error", drop);
  if (picture.complete && picture.naturalWidth === 0 && picture.loading !== "lazy") drop();
}
document.addEventListener("DOMContentLoaded", showKeptNotice);

// Small decisions that are one change each: two pieces of one set, one object recorded twice, two objects after all.
const decisions = {
  goesWith: async ({ goesWith, partner }) => {
    const address = `/api/register/records/piece/${encodeURIComponent(goesWith)}`;
    const { content } = await sendJson("GET", address);
    return sendJson("PATCH", address, { goes_with: [...content.goes_with, partner] });
  },
  merge: ({ merge, drop }) => sendJson("POST", "/api/register/merges", { keep: merge, drop }),
  refuse: ({ refuse, other }) => sendJson("POST", "/api/register/merges/refusals", { one: refuse, other }),
};
for (const [name, decide] of Object.entries(decisions)) {
  for (const button of document.querySelectorAll(`[data-${name.replace("W", "-w")}]`)) {
    button.addEventListener("click", async () => {
      button.disabled = true;
      try {
        const { content } = await decide(button.dataset);
        goWithNotice(location.pathname + location.search, `${button.dataset.called}.`, content.change);
      } catch (error) {
        showNotice(error.message);
        button.disabled = false;
      }
    });
  }
}

for (const button of document.querySelectorAll("[data-print]")) button.addEventListener("click", () => print());
// On a sheet a missing strip is said, so that the figure keeps its place.
for (const picture of document.querySelectorAll("img[data-may-lack]")) {
  picture.addEventListener("error", () => {
    const none = document.createElement("div");
    none.className = "none";
    none.textContent = "no strip of this piece";
    picture.replaceWith(none);
  });
}
