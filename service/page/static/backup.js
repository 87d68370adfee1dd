// Makes or verifies a backup and shows how far that is; afterwards the list is drawn anew.
"use strict";

(() => {
  const LOOK_EVERY_MS = 500;
  const byId = (id) => document.getElementById(id);

  function show(work) {
    byId("work").hidden = work.state === "idle";
    byId("work-text").textContent = work.total && work.state === "running" ? `${work.text} ${work.done} of ${work.total}` : work.text;
    const bar = byId("work-bar");
    bar.hidden = work.state !== "running";
    if (work.total) { bar.max = work.total; bar.value = work.done; } else bar.removeAttribute("value");
    byId("work").classList.toggle("warn", work.state === "failed");
    for (const button of document.querySelectorAll("[data-make], [data-verify]")) button.disabled = work.state === "running";
  }

  // The list comes from the page itself, drawn by the server.
  async function drawList() {
    const page = new DOMParser().parseFromString(await (await fetch("/backup")).text(), "text/html");
    for (const part of ["list", "command"]) byId(part).replaceChildren(...page.getElementById(part).childNodes);
  }

  async function follow(work) {
    let now = work;
    show(now);
    while (now.state === "running") {
      await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS));
      now = (await (await fetch("/api/backups", { cache: "no-store" })).json()).work;
      show(now);
    }
    await drawList();
  }

  document.addEventListener("click", async (event) => {
    const button = event.target.closest("[data-make], [data-verify]");
    if (!button) return;
    const address = button.dataset.verify ? `/api/backups/${encodeURIComponent(button.dataset.verify)}/verification` : "/api/backups";
    try {
      const { content } = await sendJson("POST", address);
      await follow(content);
      const again = button.dataset.verify ? `[data-verify="${CSS.escape(button.dataset.verify)}"]` : "[data-make]";
      document.querySelector(again).focus(); // the list was drawn anew
    } catch (error) {
      show({ state: "failed", text: error.message, done: 0, total: 0 });
    }
  });

  if (byId("work").dataset.state === "running") follow({ state: "running", text: "Working …", done: 0, total: 0 });
})();
