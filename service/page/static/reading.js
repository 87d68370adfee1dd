// Confirm with undo, "none of these", what the register has, the answers of this round, and the next photo.
"use strict";

{
  const byId = (id) => document.getElementById(id);
  const article = byId("reading");
  const id = article.dataset.id;

  // Confirming: one tap keeps it, one more takes it back.

  // What is new to the register or on the want list is worth knowing before the next piece.
  async function tellNews() {
    const answer = await fetch(`/api/register/readings/${id}/news`);
    const { news, wanted } = answer.ok ? await answer.json() : { news: [], wanted: [] };
    const lines = [...wanted.map((one) => `Wanted: ${one.sentence}`), ...news.map((one) => one.sentence)].map((text) => {
      const line = document.createElement("li");
      line.textContent = text;
      return line;
    });
    byId("kept-news").replaceChildren(...lines);
    byId("kept-news").hidden = lines.length === 0;
  }

  function showKept(words) {
    byId("kept-news").hidden = true;
    if (words !== null) tellNews().catch(() => { /* it is kept all the same */ });
    byId("kept-note").hidden = words === null;
    byId("kept-as").textContent = words || "";
  }

  async function confirmLabels(labels, button) {
    const before = byId("kept-note").hidden ? null : byId("kept-as").textContent;
    button.disabled = true;
    try {
      const { content } = await sendJson("POST", `/api/readings/${id}/confirmation`, labels);
      const said = [content.motif, content.variant, content.metal, content.state].filter(Boolean).join(", ");
      showKept(said);
      if (content.change === null) {
        showNotice(`Already kept as ${said}.`);
      } else {
        showNotice(`Kept as ${said}.`, "Undo", async () => { if (await undoChange(content.change)) showKept(before); });
      }
    } catch (error) {
      showNotice(error.message);
    } finally {
      button.disabled = false;
      button.focus({ preventScroll: true });
    }
  }

  for (const button of document.querySelectorAll(".confirm")) {
    button.addEventListener("click", () => confirmLabels(JSON.parse(button.dataset.labels), button));
  }
  byId("labels").addEventListener("submit", (event) => {
    event.preventDefault();
    const labels = {};
    for (const [name, value] of new FormData(event.target)) if (value.trim()) labels[name] = value;
    confirmLabels(labels, event.submitter || event.target.querySelector("button"));
  });
  byId("none-of-these")?.addEventListener("click", (event) => {
    event.preventDefault();
    byId("own-labels").open = true;
    byId("own-labels").scrollIntoView({ block: "start" });
    document.querySelector("#labels input[name=motif]").focus({ preventScroll: true });
  });

  if (location.hash === "#own-labels") byId("own-labels").open = true; // from another page, to name it

  // What the register has, said before anybody asks.

  async function sayOwned() {
    const answer = await fetch(`/api/register/owned?reading=${id}`);
    if (!answer.ok) return;
    const { candidates, said } = await answer.json();
    const nearest = candidates[0];
    byId("own-said").textContent = nearest
      ? `${said} Nearest: ${[nearest.label, nearest.piece_kind, nearest.line].filter(Boolean).join(", ")}.`
      : "Nothing in your register looks like it.";
  }
  sayOwned().catch(() => { /* the page behind the button says what is wrong */ });

  // The answers of this round, one after another.

  const here = location.pathname + location.search;

  function showRound() {
    const round = listRound();
    const place = round.indexOf(here);
    if (place < 0 || round.length < 2) return;
    byId("round").hidden = false;
    byId("round-place").textContent = `Answer ${place + 1} of ${round.length}`;
    byId("round-back").hidden = place === 0;
    byId("round-on").hidden = place === round.length - 1;
    if (place > 0) byId("round-back").href = round[place - 1];
    if (place < round.length - 1) byId("round-on").href = round[place + 1];
  }
  showRound();

  // The next photo, of the next piece or of this one again.

  const together = article.dataset.together.split(" ").filter(Boolean);
  let isSame = false;

  function openNext() {
    const { readings, jobs } = intake;
    if (!readings.length || readings.length < jobs.length) return; // what failed or waits stays in sight
    const round = listRound();
    if (isSame) {
      const address = addressTogether([...(together.length ? together : [id]), ...readings]);
      keepRound(round.includes(here) ? round.map((one) => (one === here ? address : one)) : [address]);
      openWhenFree(intake, address);
    } else {
      const addresses = readings.map((one) => `/readings/${one}`);
      keepRound([...(round.includes(here) ? round : [here]), ...addresses]);
      openWhenFree(intake, addresses[0]);
    }
  }

  const intake = new Intake(byId("jobs"), openNext);
  for (const input of document.querySelectorAll("[data-intake]")) {
    input.addEventListener("change", () => {
      const files = Array.from(input.files);
      input.value = "";
      if (!files.length) return;
      isSame = input.dataset.intake === "same";
      byId("working").hidden = false;
      intake.add(files);
      byId("working").scrollIntoView({ block: "nearest" });
    });
  }
  window.addEventListener("beforeunload", (event) => { if (intake.isBusy) event.preventDefault(); });
  window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
}
