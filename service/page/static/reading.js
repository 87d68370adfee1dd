// Confirm with undo; point at a white spot or draw along the border and read again.
"use strict";

const byId = (id) => document.getElementById(id);
const article = byId("reading");
const id = article.dataset.id;

// Confirming.

async function confirmLabels(labels, button) {
  button.disabled = true;
  try {
    const { content } = await sendJson("POST", `/api/readings/${id}/confirmation`, labels);
    const said = [content.motif, content.variant, content.metal, content.state].filter(Boolean).join(", ");
    if (content.change === null) {
      showNotice(`Already kept as ${said}.`);
    } else {
      showNotice(`Kept as ${said}.`, "Undo", () => undoChange(content.change));
    }
  } catch (error) {
    showNotice(error.message);
  } finally {
    button.disabled = false;
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

// Pointing. The cursor moves with the arrow keys too: space sets a point, Enter reads.

const photo = byId("pointing");
const width = Number(article.dataset.width);
const height = Number(article.dataset.height);
const texts = {
  neutral: "Tap a spot that is white or grey: paper, or plain glaze without a shine. With keys: arrows, then space.",
  trace: "Draw with the finger along the border, as far as it is seen. With keys: arrows, space at each point.",
};
let hint = null;
let points = [];
let cursor = { x: width / 2, y: height / 2 };
let drawing = false;

function drawMarks() {
  const shapes = [];
  const size = Math.max(width, height) / 60;
  for (let copy = 0; copy < 2; copy += 1) { // the pale one below keeps the red one visible on any ground
    const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
    const line = points.map((p, i) => `${i ? "L" : "M"}${p.x} ${p.y}`).join("");
    const cross = hint === null ? "" : `M${cursor.x - size} ${cursor.y}h${2 * size}M${cursor.x} ${cursor.y - size}v${2 * size}`;
    path.setAttribute("d", line + cross);
    path.setAttribute("class", "mark");
    shapes.push(path);
  }
  byId("marks").replaceChildren(...shapes);
}

function startHint(kind) {
  hint = hint === kind ? null : kind;
  points = [];
  photo.classList.toggle("pointing", hint !== null);
  byId("hint-panel").hidden = hint === null;
  byId("hint-read").disabled = true;
  for (const button of document.querySelectorAll("[data-hint]")) {
    button.setAttribute("aria-pressed", String(button.dataset.hint === hint));
  }
  if (hint === null) {
    photo.removeAttribute("tabindex");
    photo.removeAttribute("role");
  } else {
    byId("hint-text").textContent = texts[hint];
    photo.tabIndex = 0;
    photo.setAttribute("role", "application");
    photo.setAttribute("aria-label", texts[hint]);
    photo.focus({ preventScroll: true });
    photo.scrollIntoView({ block: "nearest" });
  }
  drawMarks();
}

function placeOf(event) {
  const box = photo.getBoundingClientRect();
  const inside = (value, limit) => Math.min(limit - 1, Math.max(0, value));
  return {
    x: inside(((event.clientX - box.left) / box.width) * width, width),
    y: inside(((event.clientY - box.top) / box.height) * height, height),
  };
}

function setPoint(point) {
  cursor = point;
  points = hint === "neutral" ? [point] : [...points, point];
  byId("hint-read").disabled = hint === "trace" && points.length < 2;
  if (hint === "trace") byId("hint-text").textContent = `${points.length} points drawn.`;
  else byId("hint-text").textContent = "White spot set.";
  drawMarks();
}

photo.addEventListener("pointerdown", (event) => {
  if (hint === null) return;
  event.preventDefault();
  photo.setPointerCapture(event.pointerId);
  drawing = true;
  if (hint === "trace") points = [];
  setPoint(placeOf(event));
});
photo.addEventListener("pointermove", (event) => {
  if (!drawing) return;
  const point = placeOf(event);
  const last = points[points.length - 1];
  const far = Math.hypot(point.x - last.x, point.y - last.y) > Math.max(width, height) / 200;
  if (hint === "neutral" || (far && points.length < 1500)) setPoint(point);
});
photo.addEventListener("pointerup", () => { drawing = false; });
photo.addEventListener("pointercancel", () => { drawing = false; });
photo.addEventListener("keydown", (event) => {
  if (hint === null) return;
  const step = Math.max(width, height) / (event.shiftKey ? 400 : 60);
  const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
  if (event.key in moves) {
    const [dx, dy] = moves[event.key];
    cursor = { x: Math.min(width - 1, Math.max(0, cursor.x + dx)), y: Math.min(height - 1, Math.max(0, cursor.y + dy)) };
    drawMarks();
  } else if (event.key === " ") {
    setPoint(cursor);
  } else if (event.key === "Enter" && !byId("hint-read").disabled) {
    readAgain();
  } else if (event.key === "Escape") {
    startHint(hint);
  } else {
    return;
  }
  event.preventDefault();
});

async function readAgain() {
  const button = byId("hint-read");
  const written = points.map((p) => `${p.x.toFixed(1)},${p.y.toFixed(1)}`).join(";");
  button.disabled = true;
  byId("hint-text").textContent = "Reading again …";
  try {
    const { content } = await sendJson("POST", `/api/readings/${id}/again`, { [hint]: written });
    location.assign(`/readings/${content.id}`);
  } catch (error) {
    byId("hint-text").textContent = error.message;
    button.disabled = false;
  }
}

for (const button of document.querySelectorAll("[data-hint]")) {
  button.addEventListener("click", () => startHint(button.dataset.hint));
}
byId("hint-cancel").addEventListener("click", () => startHint(hint));
byId("hint-read").addEventListener("click", readAgain);
