// The owner's list of paired devices: a new code, and letting one in no more.
"use strict";

async function makeCode(button) {
  const owner = button.dataset.code === "owner";
  const { content } = await sendJson("POST", "/api/devices/codes", { is_owner: owner });
  const picture = new Blob([content.qr_svg], { type: "image/svg+xml" });
  document.getElementById("code").textContent = content.code;
  document.getElementById("qr").src = URL.createObjectURL(picture);
  document.getElementById("made").hidden = false;
}

async function revoke(button) {
  await sendJson("DELETE", `/api/devices/${encodeURIComponent(button.dataset.revoke)}`);
  button.closest("li").remove();
  showNotice(`${button.dataset.name} is let in no more.`);
}

function orSay(action) {
  return (event) => action(event.currentTarget).catch((error) => showNotice(error.message));
}

for (const button of document.querySelectorAll("[data-code]")) button.addEventListener("click", orSay(makeCode));
for (const button of document.querySelectorAll("[data-revoke]")) button.addEventListener("click", orSay(revoke));
