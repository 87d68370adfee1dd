// The owner's list of paired devices: a new code and who spends it, letting one in no more, and that undone.
"use strict";

(() => {
  const LOOK_EVERY_MS = 2000;
  const byId = (id) => document.getElementById(id);
  let watching = 0;

  async function drawList() {
    const page = new DOMParser().parseFromString(await (await fetch("/devices")).text(), "text/html");
    byId("list").replaceChildren(...page.getElementById("list").childNodes);
  }

  async function listIds() {
    const { devices } = await (await fetch("/api/devices", { cache: "no-store" })).json();
    return devices;
  }

  // Until the code ends: has somebody spent it?
  function watchFor(known, endsAt) {
    clearInterval(watching);
    watching = setInterval(async () => {
      try {
        const fresh = (await listIds()).find((device) => !known.has(device.id));
        if (fresh) {
          byId("made").hidden = true;
          await drawList();
          showNotice(`${fresh.name} is paired.`);
        } else if (Date.now() > endsAt) {
          byId("code-how").textContent = "This code has ended. Make a new one.";
        } else {
          return;
        }
        clearInterval(watching);
      } catch (error) { /* looked again in a moment */ }
    }, LOOK_EVERY_MS);
  }

  async function makeCode(button) {
    const owner = button.dataset.code === "owner";
    const known = new Set((await listIds()).map((device) => device.id));
    const { content } = await sendJson("POST", "/api/devices/codes", { is_owner: owner });
    const picture = new Blob([content.qr_svg], { type: "image/svg+xml" });
    const ends = new Date(content.ends_at);
    byId("code").textContent = content.code;
    byId("qr").src = URL.createObjectURL(picture);
    byId("code-how").textContent = `${owner ? "For an owner’s device. " : ""}Works once, until ${ends.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })}. This page tells when a phone is paired.`;
    byId("made").hidden = false;
    watchFor(known, ends.getTime());
  }

  async function revoke(button) {
    const { revoke: id, name } = button.dataset;
    await sendJson("DELETE", `/api/devices/${encodeURIComponent(id)}`);
    await drawList();
    showNotice(`${name} is let in no more.`, "Undo", async () => {
      try {
        const { content } = await sendJson("POST", `/api/devices/${encodeURIComponent(id)}/return`);
        await drawList();
        showNotice(`${content.name} is let in again.`);
      } catch (error) {
        showNotice(error.message);
      }
    });
    document.querySelector("#notice button").focus(); // what had the focus is gone
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-code], [data-revoke]");
    if (!button) return;
    const act = button.dataset.revoke ? revoke : makeCode;
    act(button).catch((error) => showNotice(error.message));
  });
})();
