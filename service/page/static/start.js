// Photos taken or chosen are read one after another; a single one opens its answer by itself.
"use strict";

{
  const byId = (id) => document.getElementById(id);

  const isOnePiece = () => document.querySelector("input[name=pieces]:checked").value === "one";

  function offerAnswers() {
    const { readings, jobs } = intake;
    byId("one-piece").hidden = jobs.length < 2;
    byId("go-on").hidden = intake.isBusy || readings.length === 0;
    if (readings.length === 0) return;
    const together = isOnePiece() && readings.length > 1;
    const addresses = together ? [addressTogether(readings)] : readings.map((id) => `/readings/${id}`);
    byId("go-on").href = addresses[0];
    byId("go-on").textContent = together ? "See them read as one piece" : "See the answers one after another";
    keepRound(addresses);
  }

  const intake = new Intake(byId("jobs"), () => {
    offerAnswers();
    const alone = intake.jobs.length === 1 && intake.readings.length === 1;
    const together = isOnePiece() && intake.readings.length > 1 && intake.readings.length === intake.jobs.length;
    if (alone || together) openWhenFree(intake, byId("go-on").href);
  });

  byId("take").addEventListener("change", (event) => {
    const files = Array.from(event.target.files);
    event.target.value = ""; // the same photo may be chosen again
    if (!files.length) return;
    byId("working").hidden = false;
    intake.add(files);
    offerAnswers();
    byId("working").scrollIntoView({ block: "nearest" });
  });
  byId("one-piece").addEventListener("change", offerAnswers);
  window.addEventListener("beforeunload", (event) => { if (intake.isBusy) event.preventDefault(); });
  window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
}
