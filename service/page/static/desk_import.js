// Importing many photos: take them in, read one after the other, show each, confirm many with one undo.
"use strict";

{
  const byId = (id) => document.getElementById(id);
  const PHOTO = /\.(jpe?g|png|webp|heic|heif)$/i;
  const LIKELY = 0.8; // so sure the nearest must be to be chosen with one press; the person still looks
  const AWAY_MS = 8000;
  const PAUSED = "rimlight-import-paused";
  const rows = new Map();
  let working = false;
  let paused = localStorage.getItem(PAUSED) === "yes";
  let took = []; // seconds of the last photos, to say how long the rest takes

  const sleep = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  const withState = (...states) => [...rows.values()].filter((row) => states.includes(row.state));
  const percent = (share) => `${Math.min(99, Math.max(1, Math.round(share * 100)))}\u00a0%`;

  // Taking in.

  async function takeIn(files) {
    const photos = [...files].filter((file) => PHOTO.test(file.name) || file.type.startsWith("image/"));
    let fresh = 0;
    for (const [place, file] of photos.entries()) {
      say(`Taking in ${place + 1} of ${photos.length} …`);
      const bytes = await file.arrayBuffer();
      const key = `import-${await importList.nameBytes(bytes)}`;
      if (rows.has(key)) continue; // the same photo again, under whatever name
      const row = { key, name: file.webkitRelativePath || file.name, at: Date.now() + place / 1000, state: "waiting", said: "" };
      await importList.add(row, bytes, file.type);
      rows.set(key, row);
      fresh += 1;
      draw(row);
    }
    const others = files.length - photos.length;
    const again = photos.length - fresh;
    const left = [again && `${again} were on the list already`, others && `${others} are no photos`].filter(Boolean);
    showNotice(`${fresh} new ${fresh === 1 ? "photo" : "photos"}${left.length ? `; ${left.join(", ")}` : ""}.`);
    work();
  }

  // Reading. The key is made of the photo's bytes: sent twice, by whichever page, it is read once.

  async function send(row) {
    const held = await importList.bytesOf(row.key);
    if (held === undefined) return { status: 0, content: { detail: "Its bytes are no longer in this browser: choose it again." } };
    const form = new FormData();
    form.append("photo", new Blob([held.bytes], { type: held.type }), "photo");
    const answer = await fetch("/api/readings", { method: "POST", body: form, headers: { "Idempotency-Key": row.key } });
    return { status: answer.status, content: await answer.json(), waitS: Number(answer.headers.get("Retry-After") || 3) };
  }

  function sumUp(row, reading) {
    const best = reading.candidates[0] || null;
    Object.assign(row, {
      state: "read", said: "", reading: reading.id, verdict: reading.trim.verdict, metal: reading.trim.metal,
      worn: reading.trim.verdict === "worn lustre",
      best: best && { motif: best.motif, variant: best.variant, gallery: best.gallery_id, probability: best.probability },
      missing: reading.not_in_gallery_probability, motif: best ? best.motif : "",
    });
  }

  async function readOne(row) {
    const started = Date.now();
    let answer;
    try {
      answer = await send(row);
    } catch (error) {
      say("The machine that runs Rimlight cannot be reached. The rest goes on by itself when it is back.");
      await sleep(AWAY_MS);
      return;
    }
    if (answer.status === 503 || answer.status === 429) {
      await sleep(1000 * answer.waitS);
      return;
    }
    if (answer.status === 201) {
      sumUp(row, answer.content);
      took = [...took.slice(-9), (Date.now() - started) / 1000];
    } else {
      Object.assign(row, { state: "refused", said: answer.content.detail || "It could not be read." });
    }
    await importList.put(row, row.state === "read");
    draw(row);
  }

  async function work() {
    if (working) return;
    working = true;
    try {
      while (!paused) {
        const [row] = withState("waiting");
        if (row === undefined) break;
        tell();
        await readOne(row);
      }
    } finally {
      working = false;
      tell();
    }
  }

  // Telling.

  function say(text) {
    byId("work").hidden = false;
    byId("said").textContent = text;
  }

  function tell() {
    const all = rows.size;
    const waiting = withState("waiting").length;
    const refused = withState("refused").length;
    byId("work").hidden = all === 0;
    byId("results").hidden = all === waiting;
    byId("bar").max = Math.max(1, all);
    byId("bar").value = all - waiting;
    byId("pause").hidden = waiting === 0;
    byId("pause").textContent = paused ? "Go on" : "Pause";
    byId("pause").setAttribute("aria-pressed", String(paused));
    byId("again").hidden = refused === 0;
    byId("clear").hidden = all === waiting;
    const mean = took.reduce((sum, s) => sum + s, 0) / Math.max(1, took.length);
    const left = waiting && took.length && !paused ? `, about ${Math.max(1, Math.round((mean * waiting) / 5) * 5)} s left` : "";
    const failed = refused ? `; ${refused} refused, with the reason in the list` : "";
    if (all) byId("said").textContent = `${all - waiting} of ${all} done${failed}${waiting && paused ? "; paused" : left}.`;
    tellChosen();
  }

  function chosen() {
    return [...document.querySelectorAll("#rows input[type=checkbox]:checked")].map((tick) => rows.get(tick.dataset.key));
  }

  function tellChosen() {
    const count = chosen().length;
    byId("confirm").disabled = count === 0;
    byId("confirm").textContent = count ? `Confirm ${count} chosen` : "Confirm the chosen";
  }

  // One row of the table, made anew whenever its state changes.

  function make(name, values, ...inside) {
    const element = Object.assign(document.createElement(name), values);
    element.append(...inside.filter((part) => part !== null));
    return element;
  }

  function makeTick(row) {
    if (row.state !== "read") return "";
    const tick = make("input", { type: "checkbox", onchange: tellChosen });
    tick.dataset.key = row.key;
    tick.setAttribute("aria-label", `Choose ${row.name}`);
    return make("label", { className: "choice" }, tick);
  }

  function makeMotif(row) {
    if (row.state !== "read") return row.state === "confirmed" ? row.motif : "";
    const field = make("input", { value: row.motif || "", maxLength: 120, autocomplete: "off" });
    field.setAttribute("list", "motifs");
    field.setAttribute("aria-label", `Motif of ${row.name}`);
    field.addEventListener("change", () => { row.motif = field.value.trim(); importList.put(row); });
    return field;
  }

  function makeNearest(row) {
    if (row.reading === undefined) return "";
    if (!row.best) return "nothing to compare with";
    const image = make("img", { src: `/api/gallery/${encodeURIComponent(row.best.gallery)}/photo.jpg?size=thumbnail`, alt: "", width: 52, height: 52, loading: "lazy" });
    const missing = row.missing >= 0.5 ? make("small", { textContent: `Probably not in the gallery (${percent(row.missing)})` }) : null;
    const said = `${row.best.motif}${row.best.variant ? `, ${row.best.variant}` : ""}: ${percent(row.best.probability)}`;
    return make("div", { className: "nearest" }, image, make("span", {}, said, missing === null ? null : make("br", {}), missing));
  }

  const states = { waiting: "waiting", read: "read, not confirmed", confirmed: "in the gallery" };

  function draw(row) {
    if (row.state === "waiting") return;
    const shown = row.reading ? make("img", { src: `/api/readings/${encodeURIComponent(row.reading)}/photo.jpg?size=thumbnail`, alt: "", width: 52, height: 52, loading: "lazy" }) : "";
    const name = row.reading ? make("a", { href: `/readings/${encodeURIComponent(row.reading)}`, textContent: row.name }) : row.name;
    const head = make("th", { scope: "row" }, name);
    const cells = [makeTick(row), shown, null, row.verdict || "", makeNearest(row), makeMotif(row), states[row.state] || `refused: ${row.said}`];
    const line = make("tr", { id: row.key }, ...cells.map((cell) => (cell === null ? head : make("td", {}, cell))));
    line.children[1].className = "shot";
    const before = byId(row.key);
    if (before === null) byId("rows").append(line);
    else before.replaceWith(line);
  }

  // Confirming many, and taking all of it back.

  function labelsOf(row) {
    const labels = { motif: row.motif };
    if (row.best && row.best.motif === row.motif && row.best.variant) labels.variant = row.best.variant;
    if (row.metal) labels.metal = row.metal;
    if (row.worn || ["gold", "platinum"].includes(row.verdict)) labels.state = row.worn ? "worn" : "sound";
    return labels;
  }

  async function confirmMany() {
    const wanted = chosen();
    const nameless = wanted.find((row) => !row.motif);
    if (nameless !== undefined) {
      showNotice(`Name the motif of ${nameless.name} first.`);
      return;
    }
    byId("confirm").disabled = true;
    const kept = [];
    try {
      for (const [place, row] of wanted.entries()) {
        byId("confirm").textContent = `Confirming ${place + 1} of ${wanted.length} …`;
        const { content } = await sendJson("POST", `/api/readings/${encodeURIComponent(row.reading)}/confirmation`, labelsOf(row));
        Object.assign(row, { state: "confirmed", change: content.change });
        await importList.put(row);
        draw(row);
        kept.push(row);
      }
    } catch (error) {
      showNotice(error.message);
    }
    tell();
    if (kept.length) showNotice(`${kept.length} ${kept.length === 1 ? "photo is" : "photos are"} in the gallery.`, "Undo", () => undoMany(kept));
  }

  async function undoMany(kept) {
    let undone = 0;
    for (const row of [...kept].reverse()) {
      try {
        if (row.change) await sendJson("POST", "/api/undo", { change: row.change });
      } catch (error) {
        showNotice(`${undone} taken back. ${row.name}: ${error.message}`);
        return;
      }
      Object.assign(row, { state: "read", change: null });
      await importList.put(row);
      draw(row);
      undone += 1;
    }
    tell();
    showNotice(`${undone} taken back.`);
  }

  // Buttons, and what was left from before.

  for (const id of ["folder", "files"]) {
    byId(id).addEventListener("change", (event) => {
      const files = [...event.target.files];
      event.target.value = "";
      takeIn(files).catch((error) => showNotice(error.message));
    });
  }
  byId("pause").addEventListener("click", () => {
    paused = !paused;
    localStorage.setItem(PAUSED, paused ? "yes" : "no");
    tell();
    work();
  });
  byId("again").addEventListener("click", async () => {
    for (const row of withState("refused")) {
      Object.assign(row, { state: "waiting", said: "" });
      byId(row.key).remove();
      await importList.put(row);
    }
    work();
  });
  byId("clear").addEventListener("click", async () => {
    const done = withState("read", "confirmed", "refused");
    await importList.drop(done.map((row) => row.key));
    for (const row of done) { rows.delete(row.key); byId(row.key).remove(); }
    tell();
    showNotice("The list is shorter; the readings stay.");
  });
  byId("likely").addEventListener("click", () => {
    for (const tick of document.querySelectorAll("#rows input[type=checkbox]")) {
      const { best, missing } = rows.get(tick.dataset.key);
      tick.checked = best !== null && best.probability >= LIKELY && (missing === null || missing < 0.5);
    }
    tellChosen();
    if (chosen().length === 0) showNotice(`None is likelier than ${percent(LIKELY)}: look at each and choose yourself.`);
  });
  byId("none").addEventListener("click", () => {
    for (const tick of document.querySelectorAll("#rows input[type=checkbox]")) tick.checked = false;
    tellChosen();
  });
  byId("confirm").addEventListener("click", () => confirmMany());
  importList.list().then((held) => {
    for (const row of held.sort((a, b) => a.at - b.at)) { rows.set(row.key, row); draw(row); }
    tell();
    work();
  }).catch((error) => showNotice(error.message));
}
