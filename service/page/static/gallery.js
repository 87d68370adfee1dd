// The gallery: correct labels, remove with undo, and the labels that their neighbours speak against.
"use strict";

const here = location.pathname + location.search;

for (const button of document.querySelectorAll(".remove")) {
  button.addEventListener("click", async () => {
    const tile = button.closest("li");
    button.disabled = true;
    try {
      const { change } = await sendJson("DELETE", `/api/gallery/${button.dataset.id}`);
      tile.hidden = true;
      showNotice("Removed from the gallery.", "Undo", async () => {
        if (await undoChange(change)) {
          tile.hidden = false;
          button.disabled = false;
        }
      });
    } catch (error) {
      showNotice(error.message);
      button.disabled = false;
    }
  });
}

// Correcting: one dialog for the page, filled from the item.

const dialog = document.getElementById("correcting");
const labels = dialog.querySelector("form");
let corrected = null;

function openCorrecting(item) {
  corrected = item;
  for (const field of labels.elements) if (field.name) field.value = item[field.name] || "";
  labels.querySelector(".fault").hidden = true;
  document.getElementById("correcting-title").textContent = `Correct ${item.motif}`;
  dialog.showModal();
}

labels.addEventListener("submit", async (event) => {
  event.preventDefault();
  const sent = {};
  for (const [name, value] of new FormData(labels)) if (value.trim()) sent[name] = value;
  try {
    const { content } = await sendJson("POST", `/api/readings/${corrected.reading_id}/confirmation`, sent);
    goWithNotice(here, content.change === null ? "Nothing was different." : `Kept as ${content.motif}.`, content.change);
  } catch (error) {
    const fault = labels.querySelector(".fault");
    fault.textContent = error.message;
    fault.hidden = false;
  }
});
document.getElementById("leave").addEventListener("click", () => dialog.close());
for (const button of document.querySelectorAll(".correct")) {
  button.addEventListener("click", () => openCorrecting(JSON.parse(button.closest("[data-item]").dataset.item)));
}

// Doubts. Each shows both photos; to correct, compare, or let stand is for the person.

function makeElement(name, values, ...inside) {
  const element = Object.assign(document.createElement(name), values);
  element.append(...inside);
  return element;
}

function picture(item) {
  const image = makeElement("img", { src: `/api/gallery/${item.id}/photo.jpg?size=piece`, alt: item.motif, loading: "lazy" });
  return makeElement("figure", {}, image, makeElement("figcaption", { textContent: item.motif }));
}

function showDoubt({ item, nearer, text }) {
  const correct = makeElement("button", { type: "button", className: "button small", textContent: `Correct ${item.motif}` });
  correct.addEventListener("click", () => openCorrecting(item));
  const address = `/compare?${new URLSearchParams({ one: item.reading_id, other: nearer.reading_id })}`;
  const compare = makeElement("a", { className: "button small", href: address, textContent: "Compare the two" });
  return makeElement(
    "li", { className: "card" },
    makeElement("div", { className: "pair" }, picture(item), picture(nearer)),
    makeElement("p", { textContent: text }),
    makeElement("div", { className: "row" }, correct, compare),
  );
}

async function showDoubts() {
  const answer = await fetch("/api/gallery/doubts");
  if (!answer.ok) return;
  const { doubts, judged } = await answer.json();
  if (doubts.length === 0) return;
  const section = document.getElementById("doubts");
  document.getElementById("doubts-said").textContent =
    `${doubts.length} of ${judged} photos look more like another motif than like the others of their own: neighbours speak against the label. A doubt is no verdict.`;
  section.querySelector("ul").append(...doubts.map(showDoubt));
  section.hidden = false;
  for (const { item } of doubts) {
    const tile = [...document.querySelectorAll("[data-item]")].find((t) => JSON.parse(t.dataset.item).id === item.id);
    if (tile) tile.querySelector("h2").after(makeElement("p", { className: "doubted", textContent: "neighbours speak against this label" }));
  }
}

if (location.search === "") showDoubts();
