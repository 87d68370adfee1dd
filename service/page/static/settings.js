// The one thing that is changed on the page of settings, with undo.
"use strict";

(() => {
  const form = document.getElementById("second");
  if (!form) return;
  const field = form.elements.namedItem("backup_to");

  async function change(to) {
    const { content } = await sendJson("POST", "/api/settings", { backup_to: to || null });
    field.value = content.backup_to || "";
    return content;
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const problem = document.getElementById("second-problem");
    problem.hidden = true;
    try {
      const { backup_to: now, before } = await change(field.value.trim());
      showNotice(now ? "A second backup goes there from the next one on." : "No second backup is made.",
        "Undo", () => change(before).then(() => showNotice("Undone."), (error) => showNotice(error.message)));
    } catch (error) {
      problem.textContent = error.message.replace(/^backup_to: /, "");
      problem.hidden = false;
      field.focus();
    }
  });
})();
