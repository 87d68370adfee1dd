// Bringing in: first what would happen, then, if the person says so, that, with one undo.
"use strict";

function makePart(name, text, ...inside) {
  const element = document.createElement(name);
  if (text !== null) element.textContent = text;
  element.append(...inside);
  return element;
}

function partsOf(form) {
  const section = form.closest("section");
  const find = (selector) => section.querySelector(selector);
  return { file: form.querySelector("input"), button: form.querySelector("button"), told: find(".told"), act: find(".act"), go: find("[data-act]"), leave: find("[data-leave]"), bar: find("progress") };
}

// One request with a body that may be large: how far it is can only be told by the older way of asking.
function sendBody(address, body, bar, type) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", address);
    if (type) request.setRequestHeader("Content-Type", type);
    if (bar) {
      bar.hidden = false;
      request.upload.addEventListener("progress", (event) => { bar.value = event.loaded / event.total; });
      request.addEventListener("loadend", () => { bar.hidden = true; });
    }
    request.addEventListener("error", () => reject(new Error("The machine that runs Rimlight cannot be reached. Is it still on?")));
    request.addEventListener("load", () => {
      const content = JSON.parse(request.responseText || "{}");
      if (request.status < 300) resolve(content);
      else reject(new Error(content.detail || "That did not work."));
    });
    request.send(body);
  });
}

async function whileBusy(parts, said, act) {
  parts.button.disabled = true;
  parts.go.disabled = true;
  parts.told.replaceChildren(makePart("p", said));
  try {
    await act();
  } catch (error) {
    parts.told.replaceChildren(makePart("p", error.message));
    parts.act.hidden = true;
  } finally {
    parts.button.disabled = false;
    parts.go.disabled = false;
  }
}

function leave(parts) {
  parts.told.replaceChildren();
  parts.act.hidden = true;
  parts.file.value = "";
}

// Somebody's archive.

{
  const form = document.getElementById("archive");
  const parts = partsOf(form);
  let waiting = null;
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    whileBusy(parts, "Sending the archive and looking into it …", async () => {
      const told = await sendBody("/api/exchange/archives", parts.file.files[0], parts.bar, "application/zip");
      waiting = told.id;
      const isSame = (sentence) => sentence.startsWith("The same piece:");
      const same = told.said.filter(isSame);
      parts.told.replaceChildren(makePart("ul", null, ...told.said.filter((s) => !isSame(s)).map((s) => makePart("li", s))));
      if (same.length) {
        const list = makePart("ul", null, ...same.map((sentence) => makePart("li", sentence)));
        parts.told.append(makePart("details", null, makePart("summary", `${same.length} pieces are here and there`), list));
      }
      if (told.brings_nothing) parts.told.append(makePart("p", "It brings nothing that is not here already."));
      parts.act.hidden = told.brings_nothing;
    });
  });
  parts.go.addEventListener("click", () => whileBusy(parts, "Bringing it in …", async () => {
    const { content } = await sendJson("POST", `/api/exchange/archives/${waiting}/merge`);
    goWithNotice(location.pathname, "The archive came in.", content.change);
  }));
  parts.leave.addEventListener("click", () => {
    if (waiting !== null) sendJson("DELETE", `/api/exchange/archives/${waiting}`).catch(() => {}); // it goes by itself in a day
    leave(parts);
  });
}

// A table.

{
  const form = document.getElementById("csv");
  const parts = partsOf(form);
  const MOST_SHOWN = 500;

  function showRows(rows) {
    const counts = {};
    for (const { verdict } of rows) counts[verdict] = (counts[verdict] || 0) + 1;
    const summed = Object.entries(counts).map(([verdict, count]) => `${count} ${verdict}`).join(", ") || "no rows";
    const head = makePart("tr", null);
    for (const word of ["Line", "Number", "Verdict", "Why"]) {
      const cell = makePart("th", word);
      cell.scope = "col";
      head.append(cell);
    }
    const body = makePart("tbody", null);
    for (const row of rows.slice(0, MOST_SHOWN)) {
      const number = makePart("th", row.number || "?");
      number.scope = "row";
      body.append(makePart("tr", null, makePart("td", row.line), number, makePart("td", row.verdict), makePart("td", row.reasons.join("; "))));
    }
    const table = makePart("table", null, makePart("caption", `Rows: ${summed}`), makePart("thead", null, head), body);
    const scroll = makePart("div", null, table);
    scroll.className = "scroll";
    scroll.tabIndex = 0;
    scroll.setAttribute("role", "region");
    scroll.setAttribute("aria-label", "Rows of the table");
    parts.told.replaceChildren(scroll);
    if (rows.length > MOST_SHOWN) parts.told.append(makePart("p", `The first ${MOST_SHOWN} of ${rows.length} rows are shown.`));
    parts.act.hidden = !counts.new;
  }

  function makeForm() {
    const sent = new FormData();
    sent.append("table", parts.file.files[0]);
    return sent;
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    whileBusy(parts, "Looking at every row …", async () => showRows((await sendBody("/api/exchange/table/preview", makeForm(), null)).rows));
  });
  parts.go.addEventListener("click", () => whileBusy(parts, "Taking the new rows in …", async () => {
    const { change, rows } = await sendBody("/api/exchange/table", makeForm(), null);
    goWithNotice(location.pathname, `${rows.filter((row) => row.verdict === "new").length} pieces came in.`, change);
  }));
  parts.leave.addEventListener("click", () => leave(parts));
}
for (const link of document.querySelectorAll("a[download]")) {
  link.addEventListener("click", () => {
    document.getElementById("out-said").textContent = "It is being made; the browser says when it is here. A large gallery takes a while.";
  });
}
