// Photos of a piece: read a new one and add it, or take one off. The rest of the piece stays as it is.
"use strict";

const piece = document.getElementById("piece").dataset;
const pieceAddress = `/api/register/records/piece/${encodeURIComponent(piece.id)}`;

async function changePhotos(change, said) {
  const { content } = await sendJson("GET", pieceAddress);
  const photos = change(content.photos.map(({ reading_id, role, note }) => ({ reading_id, role, note })));
  const answer = await sendJson("PATCH", pieceAddress, { photos });
  goWithNotice(location.pathname, said, answer.content.change);
}

document.getElementById("add-photo").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = event.target;
  const said = document.getElementById("add-photo-said");
  const button = form.querySelector("button");
  const role = form.elements.role.value;
  button.disabled = true;
  try {
    const reading = await sendPhoto(form.elements.photo.files[0], { onStep: ({ text }) => { said.textContent = text; } });
    if (reading.kept) { said.textContent = "The photo waits in this browser; add it again once the machine is in reach."; return; }
    await changePhotos((photos) => [...photos.filter((p) => p.reading_id !== reading.id), { reading_id: reading.id, role }], `The ${role} photo was added.`);
  } catch (error) {
    said.textContent = error.message;
  } finally {
    button.disabled = false;
  }
});
for (const button of document.querySelectorAll("[data-photo-off]")) {
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      await changePhotos((photos) => photos.filter((p) => p.reading_id !== button.dataset.photoOff), "The photo was taken off this piece.");
    } catch (error) {
      showNotice(error.message);
      button.disabled = false;
    }
  });
}

// What clashes over this piece: asked after the page is there, since all of the register has to be looked through.
async function showQuestions() {
  const answer = await fetch(`/api/register/conflicts?${new URLSearchParams({ record: piece.id })}`);
  if (!answer.ok) return;
  const { items } = await answer.json();
  for (const { weight, sentence, settle } of items) {
    const card = document.createElement("div");
    card.className = "card warn";
    const said = document.createElement("p");
    const word = document.createElement("strong");
    word.textContent = weight === "conflict" ? "Conflict: " : "Question: ";
    said.append(word, sentence);
    const advice = document.createElement("p");
    advice.className = "quiet";
    advice.textContent = settle;
    card.append(said, advice);
    document.getElementById("questions").append(card);
  }
}
showQuestions();
