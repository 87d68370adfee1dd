// Remove with undo.
"use strict";

for (const button of document.querySelectorAll(".remove")) {
  button.addEventListener("click", async () => {
    const tile = button.closest("li");
    button.disabled = true;
    try {
      const { change } = await sendJson("DELETE", `/api/gallery/${button.dataset.id}`);
      tile.hidden = true;
      showNotice("Removed from the gallery.", "Undo", async () => {
        if (await undoChange(change)) {
          tile.hidden = false;
          button.disabled = false;
        }
      });
    } catch (error) {
      showNotice(error.message);
      button.disabled = false;
    }
  });
}
