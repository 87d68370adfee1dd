// Point at a white spot or draw along the border, with finger, mouse or keys, and read again with it.
"use strict";

{
  const byId = (id) => document.getElementById(id);
  const article = byId("reading");
  const photo = byId("pointing");
  const picture = byId("picture");
  const width = Number(article.dataset.width);
  const height = Number(article.dataset.height);
  const MOST_POINTS = 1500;
  const texts = {
    neutral: "Tap a spot that is white or grey: paper, or plain glaze without a shine.",
    trace: "Draw along the border, as far as it is seen.",
  };
  const keys = " With keys: arrows move (Shift: small steps), space sets a point, Backspace takes it back, Enter reads.";
  const shownKeys = matchMedia("(any-pointer: fine)").matches ? keys : ""; // to a finger alone they say nothing
  let hint = null;
  let points = [];
  let before = []; // the points as they were, to take back
  let cursor = { x: width / 2, y: height / 2 };
  let isDrawing = false;

  function drawMarks() {
    const size = Math.max(width, height) / 60;
    const line = points.map((p, i) => `${i ? "L" : "M"}${p.x} ${p.y}`).join("");
    const cross = hint === null ? "" : `M${cursor.x - size} ${cursor.y}h${2 * size}M${cursor.x} ${cursor.y - size}v${2 * size}`;
    const shapes = [0, 1].map(() => { // the pale one below keeps the red one visible on any ground
      const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
      path.setAttribute("d", line + cross);
      path.setAttribute("class", "mark");
      return path;
    });
    byId("marks").replaceChildren(...shapes);
  }

  function allowButtons() {
    byId("hint-read").disabled = points.length < (hint === "trace" ? 2 : 1);
    byId("hint-undo").disabled = before.length === 0;
  }

  function startHint(kind) {
    hint = hint === kind ? null : kind;
    points = [];
    before = [];
    photo.classList.toggle("pointing", hint !== null);
    picture.setAttribute("viewBox", hint === null ? picture.dataset.frame : picture.dataset.whole);
    byId("hint-panel").hidden = hint === null;
    for (const button of document.querySelectorAll("[data-hint]")) {
      button.setAttribute("aria-pressed", String(button.dataset.hint === hint));
    }
    if (hint === null) {
      for (const name of ["tabindex", "role", "aria-label"]) photo.removeAttribute(name);
    } else {
      byId("hint-text").textContent = texts[hint] + shownKeys;
      photo.tabIndex = 0;
      photo.setAttribute("role", "application");
      photo.setAttribute("aria-label", texts[hint] + keys);
      photo.focus({ preventScroll: true });
      photo.scrollIntoView({ block: "nearest" });
    }
    allowButtons();
    drawMarks();
  }

  function placeOf(event) {
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(picture.getScreenCTM().inverse());
    return { x: Math.min(width - 1, Math.max(0, place.x)), y: Math.min(height - 1, Math.max(0, place.y)) };
  }

  function tellPoints() {
    const drawn = `${points.length} ${points.length === 1 ? "point" : "points"} drawn.`;
    byId("hint-text").textContent = points.length === 0 ? texts[hint] + shownKeys : hint === "trace" ? drawn : "White spot set.";
  }

  function setPoint(point) {
    cursor = point;
    points = hint === "neutral" ? [point] : [...points, point];
    drawMarks();
  }

  function finishStep() {
    tellPoints();
    allowButtons();
  }

  photo.addEventListener("pointerdown", (event) => {
    if (hint === null) return;
    event.preventDefault();
    photo.setPointerCapture(event.pointerId);
    isDrawing = true;
    before.push(points);
    if (hint === "trace") points = [];
    setPoint(placeOf(event));
    finishStep();
  });
  photo.addEventListener("pointermove", (event) => {
    if (!isDrawing) return;
    const point = placeOf(event);
    const last = points[points.length - 1];
    const far = Math.hypot(point.x - last.x, point.y - last.y) > Math.max(width, height) / 200;
    if (hint === "neutral" || (far && points.length < MOST_POINTS)) setPoint(point);
  });
  for (const ended of ["pointerup", "pointercancel"]) {
    photo.addEventListener(ended, () => {
      if (isDrawing) finishStep();
      isDrawing = false;
    });
  }
  photo.addEventListener("keydown", (event) => {
    if (hint === null) return;
    const step = Math.max(width, height) / (event.shiftKey ? 400 : 60);
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (event.key in moves) {
      const [dx, dy] = moves[event.key];
      cursor = { x: Math.min(width - 1, Math.max(0, cursor.x + dx)), y: Math.min(height - 1, Math.max(0, cursor.y + dy)) };
      drawMarks();
    } else if (event.key === " ") {
      before.push(points);
      setPoint(cursor);
      finishStep();
    } else if (event.key === "Backspace") {
      takeBack();
    } else if (event.key === "Enter" && !byId("hint-read").disabled) {
      readAgain();
    } else if (event.key === "Escape") {
      cancelHint();
    } else {
      return;
    }
    event.preventDefault();
  });

  function takeBack() {
    if (!before.length) return;
    points = before.pop();
    drawMarks();
    finishStep();
  }

  function cancelHint() {
    const button = document.querySelector(`[data-hint="${hint}"]`);
    startHint(hint);
    button?.focus();
  }

  // The new reading takes the place of the old one: among photos of one piece, and in this round.
  function replaceReading(old, fresh) {
    const group = article.dataset.together.split(" ").filter(Boolean);
    const address = group.length ? addressTogether(group.map((one) => (one === old ? fresh : one))) : `/readings/${fresh}`;
    const here = location.pathname + location.search;
    keepRound(listRound().map((one) => (one === here ? address : one)));
    return address;
  }

  async function readAgainWith(hints, button, said) {
    button.disabled = true;
    said.textContent = "Reading again …";
    try {
      const { content } = await sendJson("POST", `/api/readings/${article.dataset.id}/again`, hints);
      location.assign(replaceReading(article.dataset.id, content.id));
    } catch (error) {
      said.textContent = error.message;
      button.disabled = false;
    }
  }

  function readAgain() {
    const written = points.map((p) => `${p.x.toFixed(1)},${p.y.toFixed(1)}`).join(";");
    readAgainWith({ [hint]: written }, byId("hint-read"), byId("hint-text"));
  }

  byId("measured")?.addEventListener("submit", (event) => {
    event.preventDefault();
    const field = byId("measured-mm");
    const said = byId("measured-said");
    if (!field.checkValidity()) {
      said.textContent = `Type the diameter in millimetres, ${field.min} to ${field.max}.`;
      field.focus();
      return;
    }
    readAgainWith({ diameter_mm: field.valueAsNumber }, event.submitter ?? event.target.querySelector("button"), said);
  });

  for (const button of document.querySelectorAll("[data-hint]")) {
    button.addEventListener("click", () => startHint(button.dataset.hint));
  }
  byId("hint-cancel").addEventListener("click", cancelHint);
  byId("hint-undo").addEventListener("click", takeBack);
  byId("hint-read").addEventListener("click", readAgain);
}
