// The form of any record: rows come and go, only what was changed is sent, every fault is shown at its field.
"use strict";

const form = document.getElementById("record");
const editing = form.dataset.id !== undefined;

// Reading the fields. A scope is the form or one row; a field belongs to the nearest scope round it.

function fieldsOf(scope) {
  return [...scope.querySelectorAll("[data-field]")].filter((field) => scopeOf(field) === scope);
}

function scopeOf(field) {
  return field.parentElement.closest("[data-row]") || form;
}

function rowsOf(field) {
  return [...field.querySelector("[data-rows]").children];
}

// As it is now, or as it came: what was typed before this script ran is a change too.
const now = { text: (input) => input.value, isTicked: (input) => input.checked };
const asCame = {
  text: (input) => (input.options ? ([...input.options].find((o) => o.defaultSelected) || input.options[0]).value : input.defaultValue),
  isTicked: (input) => input.defaultChecked,
};

function readField(field, as) {
  const type = field.dataset.type;
  if (type === "rows") return rowsOf(field).map((row) => readScope(row, as)).filter((row) => Object.values(row).some((v) => v !== null));
  if (type === "fields") {
    const held = readScope(field, as);
    return Object.values(held).some((value) => value !== null) ? held : null;
  }
  if (type === "ticks") return [...field.querySelectorAll("input")].filter(as.isTicked).map((tick) => tick.value);
  const input = field.querySelector("input, select, textarea");
  if (type === "true or false") return as.isTicked(input);
  const text = as.text(input).trim();
  if (type === "list") return text === "" ? [] : text.split("\n").map((line) => line.trim()).filter(Boolean);
  if (text === "") return null;
  if (type !== "number" && type !== "whole number") return text;
  const number = Number(text.replace(",", ".")); // what is no number goes as it is: the register says so
  return Number.isFinite(number) ? number : text;
}

function readScope(scope, as = now) {
  return Object.fromEntries(fieldsOf(scope).map((field) => [field.dataset.field, readField(field, as)]));
}

const first = readScope(form, asCame);

// Names stand for ids: the register takes `motif` in place of `motif_id`.
function asSent(values) {
  const sent = {};
  for (const [name, value] of Object.entries(values)) {
    const named = name.endsWith("_id") && name !== "reading_id" ? name.slice(0, -3) : name;
    sent[named] = Array.isArray(value) ? value.map((v) => (v !== null && typeof v === "object" ? asSent(v) : v)) : value;
  }
  return sent;
}

function collect() {
  const values = readScope(form);
  const kept = {};
  for (const [name, value] of Object.entries(values)) {
    const same = JSON.stringify(value) === JSON.stringify(first[name]);
    const empty = value === null || (Array.isArray(value) && value.length === 0);
    if (editing ? !same : !empty) kept[name] = value;
  }
  const sent = asSent(kept);
  const about = document.getElementById("about-which");
  if (about !== null && !editing) sent.about = { kind: document.getElementById("about-kind").value, which: about.value.trim() };
  return sent;
}

// Faults. "decorations[0].motif: …" names the field inside its row; "piece: wear: …" begins with the kind.

function findField(path) {
  let scope = form;
  let field = null;
  for (const part of path.split(".")) {
    const [, name, number] = part.match(/^([a-z_]+)(?:\[(\d+)\])?$/) || [];
    if (name === undefined) return field;
    const here = fieldsOf(scope).find((f) => f.dataset.field === name || f.dataset.field === `${name}_id`);
    if (here === undefined) return field;
    field = here;
    scope = number === undefined ? field : rowsOf(field)[Number(number)] || scope;
  }
  return field;
}

function splitFault(fault) {
  const parts = fault.split(": ");
  const kind = form.dataset.kind.replaceAll("_", " ");
  if (parts.length > 2 && parts[0] === kind) parts.shift();
  parts[0] = parts[0].replace(/^(decorations|marks)\[(\d+)\]\.(decoration|mark)$/, "$1[$2]");
  if (/^(decorations|marks)\[\d+\]$/.test(parts[0]) && parts.length > 2) parts.splice(0, 2, `${parts[0]}.${parts[1]}`);
  return { path: parts[0], said: parts.slice(1).join(": ") || parts[0] };
}

function clearFaults() {
  for (const place of form.querySelectorAll(".fault")) { place.hidden = true; place.textContent = ""; }
  for (const input of form.querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
  document.querySelector("#faults ul").replaceChildren();
  document.getElementById("faults").hidden = true;
}

function showFault(fault) {
  const { path, said } = splitFault(fault);
  const field = path === "about" ? document.getElementById("about-which")?.closest(".field") : findField(path);
  const sentence = said.charAt(0).toUpperCase() + said.slice(1);
  const entry = document.createElement("li");
  const place = field ? field.querySelector(":scope > .fault") : null;
  const input = field ? field.querySelector("input, select, textarea") : null;
  if (place === null || place === undefined) {
    entry.textContent = fault;
  } else {
    if (!place.hidden && said === "missing") return; // the name that cannot be used was said already
    place.textContent = `${place.textContent} ${sentence}`.trim();
    place.hidden = false;
    const label = field.querySelector("label, legend, h2").textContent.replace("needed", "").trim();
    if (input === null) {
      entry.textContent = `${label}: ${said}`;
    } else {
      input.setAttribute("aria-invalid", "true");
      const link = document.createElement("a");
      link.href = `#${input.id}`;
      link.textContent = `${label}: ${said}`;
      entry.append(link);
    }
  }
  document.querySelector("#faults ul").append(entry);
}

function showFaults(faults) {
  clearFaults();
  for (const fault of faults) showFault(fault);
  const box = document.getElementById("faults");
  box.hidden = false;
  box.focus();
  box.scrollIntoView({ block: "nearest" });
}

// Sending. Its own request: the faults of a refusal are wanted one by one.

let key = null;
let keyOf = "";

async function keep() {
  const kind = form.dataset.kind;
  const names = document.getElementById("new-names");
  const base = `/api/register/records/${kind}${editing ? `/${encodeURIComponent(form.dataset.id)}` : ""}`;
  const address = `${base}${names !== null && names.checked ? "?new_names=true" : ""}`;
  const body = JSON.stringify(collect());
  if (keyOf !== address + body) { key = newKey(); keyOf = address + body; } // pressed twice, it is kept once
  const headers = { "Content-Type": "application/json", "Idempotency-Key": key };
  const answer = await fetch(address, { method: editing ? "PATCH" : "POST", headers, body });
  const content = await answer.json();
  if (answer.ok) {
    const { record, change } = content;
    const shown = record.piece_id ? ["piece", record.piece_id] : [record.record_kind, record.id];
    const back = form.dataset.back.startsWith("/register/records/") && !editing ? form.dataset.back : `/register/records/${shown[0]}/${encodeURIComponent(shown[1])}`;
    goWithNotice(back, change === null ? "Nothing was different." : "Kept.", change);
  } else {
    keyOf = "";
    showFaults(content.faults || [content.detail]);
  }
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = form.querySelector("button.main");
  button.disabled = true;
  try {
    await keep();
  } catch (error) {
    showNotice("The machine that runs Rimlight cannot be reached. Nothing is lost: try again.");
  } finally {
    button.disabled = false;
  }
});

// Rows.

function renumber(field) {
  rowsOf(field).forEach((row, n) => {
    for (const number of row.querySelectorAll("[data-number]")) number.textContent = n + 1;
  });
}

let made = 0;

form.addEventListener("click", (event) => {
  const add = event.target.closest("[data-add-row]");
  const drop = event.target.closest("[data-drop-row]");
  if (add !== null) {
    const field = add.closest("[data-field]");
    const html = field.querySelector(":scope > template").innerHTML;
    made += 1;
    const holder = document.createElement("template");
    holder.innerHTML = html.replaceAll("-9999-", `-new${made}-`);
    const row = holder.content.firstElementChild;
    field.querySelector("[data-rows]").append(row);
    renumber(field);
    row.querySelector("input, select, textarea").focus();
  } else if (drop !== null) {
    const field = drop.closest("[data-row]").parentElement.closest("[data-field]");
    drop.closest("[data-row]").remove();
    renumber(field);
    field.querySelector("[data-add-row]").focus();
  }
});

// The text of a mark, read from its photo: a suggestion that stands in its own field.

const readMark = document.getElementById("read-mark");
if (readMark !== null) {
  readMark.addEventListener("click", async () => {
    const said = document.getElementById("read-mark-said");
    const reading = document.getElementById("reading_id").value;
    if (!reading) { said.textContent = "Choose the photo of the mark first."; return; }
    said.textContent = "Reading …";
    readMark.disabled = true;
    try {
      const { content } = await sendJson("GET", `/api/register/readings/${encodeURIComponent(reading)}/mark`);
      const text = content.text || content.suggestion || "";
      if (text) {
        document.getElementById("suggestion").value = text;
        const own = document.getElementById("transcription");
        if (own.value.trim() === "") own.value = text;
      }
      said.textContent = text ? "Compare it with the mark and correct it." : content.reason || "No text was found in this photo.";
    } catch (error) {
      said.textContent = error.message;
    } finally {
      readMark.disabled = false;
    }
  });
}

form.querySelector("button.main").disabled = false; // pressed before this script ran, the form would go astray

// Leaving with something typed asks first.
window.addEventListener("beforeunload", (event) => {
  if (sessionStorage.getItem(NOTICE_KEY) === null && JSON.stringify(readScope(form)) !== JSON.stringify(first)) event.preventDefault();
});
