// Shared by all pages: requests that may be repeated safely, and the notice with its undo.
"use strict";

function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

// One key for all tries: the answer is given once however often the request has to be sent.
async function sendJson(method, address, body) {
  const headers = { "Idempotency-Key": newKey() };
  if (body !== undefined) headers["Content-Type"] = "application/json";
  const request = { method, headers, body: body === undefined ? undefined : JSON.stringify(body) };
  let answer;
  for (let attempt = 0; ; attempt += 1) {
    try {
      answer = await fetch(address, request);
      break;
    } catch (error) {
      if (attempt === 2) throw new Error("The machine that runs Rimlight cannot be reached. Is it still on?");
      await new Promise((resolve) => setTimeout(resolve, 800 * (attempt + 1)));
    }
  }
  const content = answer.status === 204 ? null : await answer.json();
  if (!answer.ok) throw new Error(content.detail || "That did not work.");
  return { content, change: answer.headers.get("Change-Id") };
}

let noticeTimer = 0;

function makeNoticeButton(word, action) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "button small";
  button.textContent = word;
  button.addEventListener("click", () => action(button), { once: true });
  return button;
}

// With something to press the notice stays until it is pressed or put away; a mere message goes by itself.
function showNotice(text, word, action) {
  clearTimeout(noticeTimer);
  const notice = document.getElementById("notice");
  notice.replaceChildren();
  const said = document.createElement("span");
  said.textContent = text;
  notice.append(said);
  if (word) notice.append(makeNoticeButton(word, action));
  const close = makeNoticeButton("×", () => { notice.hidden = true; });
  close.setAttribute("aria-label", "Put this message away");
  notice.append(close);
  notice.hidden = false;
  if (!word) noticeTimer = setTimeout(() => { notice.hidden = true; }, 6000);
}

async function undoChange(change) {
  try {
    await sendJson("POST", "/api/undo", { change });
    showNotice("Undone.");
    return true;
  } catch (error) {
    showNotice(error.message);
    return false;
  }
}
