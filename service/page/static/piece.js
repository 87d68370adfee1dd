// "Do I own this?": join a piece that is there, or record a new one with its mark and number; each with undo.
"use strict";

{
  const byId = (id) => document.getElementById(id);
  const { id, answer } = byId("piece").dataset;
  const more = byId("piece").dataset.more.split(" ").filter(Boolean); // other photos of the same piece
  const form = byId("record");
  let mark = null; // { id, suggestion } of the mark's photo

  // First the motif.

  function showConfirmed(said) {
    byId("to-confirm").hidden = said !== null;
    form.hidden = said === null;
    byId("kept-as").textContent = said || "";
    for (const button of document.querySelectorAll(".joins")) button.hidden = said === null;
  }

  async function confirmMotif(button) {
    button.disabled = true;
    try {
      const { content } = await sendJson("POST", `/api/readings/${id}/confirmation`, JSON.parse(button.dataset.labels));
      showConfirmed([content.motif, content.variant, content.metal, content.state].filter(Boolean).join(", "));
      showNotice(`Kept in the gallery as ${content.motif}.`, "Undo", async () => { if (await undoChange(content.change)) showConfirmed(null); });
      form.elements.decoration_number.focus({ preventScroll: true });
    } catch (error) {
      showNotice(error.message);
    } finally {
      button.disabled = false;
    }
  }
  for (const button of document.querySelectorAll(".confirm")) button.addEventListener("click", () => confirmMotif(button));

  // The mark: its photo is read for text where a reader is installed; a person corrects it.

  async function readMark(file) {
    const said = byId("mark-said");
    const picture = byId("mark-picture");
    picture.src = URL.createObjectURL(file);
    picture.hidden = false;
    picture.onerror = () => { picture.hidden = true; };
    const onStep = (step) => { if (said.textContent !== step.text) said.textContent = step.text.replace("the rim", "the mark"); };
    try {
      const reading = await sendPhoto(file, { onStep });
      if (reading.kept) {
        said.textContent = "The photo waits in this browser. Type the text in; add the photo later.";
        return;
      }
      mark = { id: reading.id, suggestion: "" };
      said.textContent = "The photo is kept with the piece. Looking for text …";
      const found = await (await fetch(`/api/register/readings/${reading.id}/mark`)).json();
      said.textContent = found.text ? found.caution : `The photo is kept with the piece. ${found.reason || found.detail || ""}`;
      if (found.text) mark.suggestion = found.text;
      if (found.text && !form.elements.transcription.value) form.elements.transcription.value = found.text;
    } catch (error) {
      said.textContent = error.message;
    }
  }
  byId("mark-photo")?.addEventListener("change", (event) => {
    const file = event.target.files[0];
    event.target.value = "";
    if (file) readMark(file);
  });

  // Recording.

  function gatherPiece(values) {
    const piece = {};
    for (const name of ["piece_kind", "number", "maker", "line", "note"]) if (values[name]) piece[name] = values[name];
    const own = {};
    for (const name of ["price", "seller", "place"]) if (values[name]) own[name] = values[name];
    if (Object.keys(own).length) piece.private = own;
    piece.photos = more.map((reading_id) => ({ reading_id, role: "rim" }));
    if (mark) piece.photos.push({ reading_id: mark.id, role: "mark" });
    if (values.transcription) {
      const said = { transcription: values.transcription };
      if (mark) said.reading_id = mark.id;
      if (mark?.suggestion) said.suggestion = mark.suggestion;
      piece.marks = [said];
    }
    return piece;
  }

  function gather() {
    const values = {};
    for (const [name, value] of new FormData(form)) if (typeof value === "string") values[name] = value.trim();
    const piece = gatherPiece(values);
    const decoration = values.decoration_number ? { number: values.decoration_number } : {};
    for (const box of form.querySelectorAll("[data-take]:checked")) {
      (box.name === "lines" ? decoration : piece)[box.name] = JSON.parse(box.dataset.take);
    }
    return { answer, new_names: true, role: "rim", piece, decoration };
  }

  // Asked before it is recorded: afterwards the register holds it.
  async function askNews() {
    try {
      const found = await fetch(`/api/register/readings/${id}/news`);
      return found.ok ? (await found.json()).news : [];
    } catch (error) {
      return [];
    }
  }

  function tellNews(news) {
    const lines = news.map((one) => {
      const line = document.createElement("li");
      line.textContent = one.sentence;
      return line;
    });
    byId("recorded-news").replaceChildren(...lines);
  }

  function showRecorded(content, said, news) {
    const { record, change } = content;
    if (form) form.hidden = true;
    for (const button of document.querySelectorAll(".joins")) button.hidden = true;
    byId("recorded-said").textContent = said;
    byId("recorded-open").href = `/register/records/piece/${encodeURIComponent(record.id)}`;
    byId("recorded").hidden = false;
    byId("recorded-title").focus();
    showNotice(said, "Undo", async () => {
      if (!await undoChange(change)) return;
      byId("recorded").hidden = true;
      if (form) form.hidden = false;
      for (const button of document.querySelectorAll(".joins")) button.hidden = false;
    });
    tellNews(news);
  }

  async function register(body, button, say) {
    const failed = byId("record-failed");
    if (failed) failed.hidden = true;
    button.disabled = true;
    try {
      const news = await askNews();
      const { content } = await sendJson("POST", `/api/register/readings/${id}/piece`, body);
      showRecorded(content, say(content.record), news);
    } catch (error) {
      if (!failed || form.hidden) {
        showNotice(error.message);
      } else {
        failed.textContent = error.message;
        failed.hidden = false;
      }
    } finally {
      button.disabled = false;
    }
  }

  form?.addEventListener("submit", (event) => {
    event.preventDefault();
    register(gather(), event.submitter || form.querySelector("button.main"), (record) => `Recorded as piece ${record.number}.`);
  });
  for (const button of document.querySelectorAll(".joins")) {
    button.addEventListener("click", () => {
      const body = { answer, joins: button.dataset.joins, role: "rim", new_names: true };
      register(body, button, (record) => `The photo joined piece ${record.number}.`);
    });
  }
}
