// The list of photos that wait in this browser, in <section id="waiting">; on other pages one line that leads there.
"use strict";

(() => {
  const place = document.getElementById("waiting");
  const rows = new Map(); // key -> what is shown of it

  function make(kind, text, className) {
    const made = document.createElement(kind);
    if (text) made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  const photos = (number) => (number === 1 ? "1 photo" : `${number} photos`);
  const waitHere = (number) => `${photos(number)} ${number === 1 ? "waits" : "wait"} in this browser.`;

  // A picture small enough to be kept beside the note.
  async function drawThumbnail(note) {
    if (note.thumbnail || note.state !== "waiting") return note.thumbnail;
    const content = await kept.find(note.key);
    if (!content) return null;
    const picture = await createImageBitmap(new Blob([content], { type: note.type }), { resizeWidth: 160 });
    const canvas = make("canvas");
    canvas.width = picture.width;
    canvas.height = picture.height;
    canvas.getContext("2d").drawImage(picture, 0, 0);
    picture.close();
    const drawn = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.7));
    const thumbnail = await drawn.arrayBuffer();
    await kept.change(note.key, { thumbnail });
    return thumbnail;
  }

  async function showThumbnail(note, picture) {
    try {
      const thumbnail = await drawThumbnail(note);
      if (!thumbnail) return;
      picture.src = URL.createObjectURL(new Blob([thumbnail], { type: "image/jpeg" }));
      picture.hidden = false;
    } catch (error) { /* a kind of picture that this browser does not know, HEIC for one */ }
  }

  async function remove(note) {
    const content = await kept.find(note.key);
    await kept.drop(note.key);
    if (note.state === "read") return;
    showNotice("The photo is removed from this browser.", "Undo", () => kept.putBack(note, content));
    document.querySelector("#notice button").focus(); // what had the focus is gone
  }

  function makeRow(note) {
    const line = make("li", "", "job");
    const picture = make("img");
    picture.alt = "";
    picture.hidden = true;
    const taken = new Date(note.at).toLocaleString([], { weekday: "short", hour: "2-digit", minute: "2-digit" });
    const name = make("p", `Taken ${taken}`, "quiet");
    const said = make("p");
    const bar = make("progress");
    bar.setAttribute("aria-label", `Progress of the photo taken ${taken}`);
    const doing = make("div", "", "row");
    const again = make("button", "Try again", "button small");
    const away = make("button", "Remove", "button small");
    again.type = away.type = "button";
    again.setAttribute("aria-label", `Try again: the photo taken ${taken}`);
    away.setAttribute("aria-label", `Remove the photo taken ${taken}`);
    again.addEventListener("click", async () => {
      await kept.change(note.key, { state: "waiting", said: "", heldUntil: 0 });
      queue.runSoon();
    });
    away.addEventListener("click", () => remove(rows.get(note.key).note).catch((error) => showNotice(error.message)));
    doing.append(again, away);
    const text = make("div");
    text.append(name, said, bar, doing);
    line.append(picture, text);
    showThumbnail(note, picture);
    return { note, line, said, bar, again, away };
  }

  function fillRow(row, note) {
    const step = queue.steps.get(note.key);
    row.note = note;
    row.bar.hidden = !step;
    row.again.hidden = note.state !== "refused";
    row.away.hidden = Boolean(step);
    row.away.textContent = note.state === "read" ? "Clear" : "Remove";
    if (step) {
      row.said.textContent = step.text;
      if (step.share === null || step.share >= 1) row.bar.removeAttribute("value");
      else row.bar.value = step.share;
    } else if (note.state === "read") {
      const link = make("a", "see the answer");
      link.href = `/readings/${encodeURIComponent(note.reading)}`;
      link.addEventListener("click", () => { kept.drop(note.key); });
      row.said.replaceChildren(note.said === "cannot tell" ? "Read; one more step is asked for: " : `Read, ${note.said}: `, link);
    } else {
      row.said.textContent = note.said || "Waits for the machine that runs Rimlight.";
    }
  }

  function sayHow(notes) {
    const having = (state) => notes.filter((note) => note.state === state).length;
    const said = [];
    if (having("waiting")) {
      said.push(waitHere(having("waiting")));
      said.push(queue.why() || "What waits goes up by itself while a page of Rimlight is open and its machine is in reach.");
    }
    if (having("refused")) said.push(`${photos(having("refused"))} could not be read.`);
    if (having("read")) said.push(`${photos(having("read"))} sent and read.`);
    return said.join(" ");
  }

  // What the list of this round says of a photo that waits is said here too, with something to press.
  function hideTwice() {
    const round = document.getElementById("jobs");
    if (!round) return;
    for (const line of round.querySelectorAll('[data-step="kept"]')) line.hidden = true;
    const section = round.closest("section");
    if (section && round.children.length && !round.querySelector("li:not([hidden])")) section.hidden = true;
  }

  function showList(notes) {
    hideTwice();
    place.hidden = notes.length === 0;
    place.querySelector("[data-how]").textContent = sayHow(notes);
    place.querySelector("[data-send]").hidden = !notes.some((note) => note.state === "waiting");
    place.querySelector("[data-clear]").hidden = notes.filter((note) => note.state === "read").length < 2;
    const list = place.querySelector("ul");
    for (const [key, row] of rows) {
      if (notes.some((note) => note.key === key)) continue;
      row.line.remove();
      rows.delete(key);
    }
    for (const note of notes) {
      if (!rows.has(note.key)) {
        rows.set(note.key, makeRow(note));
        list.append(rows.get(note.key).line);
      }
      fillRow(rows.get(note.key), note);
    }
  }

  function buildPlace() {
    const title = make("h2", "Photos in this browser");
    title.id = "waiting-title";
    const how = make("p");
    how.dataset.how = "";
    how.setAttribute("role", "status");
    const doing = make("div", "", "row");
    const send = make("button", "Send now", "button");
    const clear = make("button", "Clear what was read", "button small");
    send.type = clear.type = "button";
    send.dataset.send = clear.dataset.clear = "";
    send.addEventListener("click", () => queue.runSoon());
    clear.addEventListener("click", async () => {
      for (const { note } of [...rows.values()]) if (note.state === "read") await kept.drop(note.key);
    });
    doing.append(send, clear);
    place.append(title, how, make("ul", "", "plain jobs"), doing);
    place.setAttribute("aria-labelledby", title.id);
  }

  // Elsewhere than on the page with the list: one line above the page, as long as something waits.
  function showLine(notes) {
    let line = document.getElementById("waiting-line");
    const waiting = notes.filter((note) => note.state === "waiting").length;
    if (!line && waiting) {
      line = make("p", "", "card warn");
      line.id = "waiting-line";
      document.getElementById("main").prepend(line);
    }
    if (!line) return;
    line.hidden = waiting === 0;
    const link = make("a", "See them");
    link.href = "/#waiting";
    line.replaceChildren(`${waitHere(waiting)} `, link);
  }

  let drawing = false;
  let again = false;

  async function show() {
    if (drawing) { again = true; return; }
    drawing = true;
    try {
      const notes = (await kept.list()).filter((note) => !sending.here.has(note.key) || queue.steps.has(note.key));
      if (place) showList(notes);
      else showLine(notes);
    } catch (error) { /* a browser that keeps nothing */ }
    drawing = false;
    if (again) { again = false; show(); }
  }

  if (place) buildPlace();
  queue.listeners.add(show);
  window.addEventListener(kept.CHANGED, show);
  show();
})();
