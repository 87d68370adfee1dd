// Photos on their way: each a line of the list with its picture, how far it is, and then its answer.
"use strict";

const AT_ONCE = 2; // one is read while the next goes up
const ROUND = "rimlight-round"; // the answers of this round, by address, so that they can be seen in order

class Intake {
  // onSettled is called whenever nothing is on its way any more.
  constructor(list, onSettled) {
    this.list = list;
    this.onSettled = onSettled;
    this.jobs = [];
    this.group = newKey(); // photos of one piece that have to wait stay together by it
  }

  get readings() {
    return this.jobs.filter((job) => job.reading).map((job) => job.reading.id);
  }

  get isBusy() {
    return this.jobs.some((job) => job.state === "queued" || job.state === "going");
  }

  add(files) {
    for (const file of files) {
      const job = { file, key: newKey(), state: "queued", reading: null };
      sending.keepFirst(file, { key: job.key, group: this.group }); // whatever becomes of the page, it is not lost
      this.jobs.push(job);
      this.draw(job);
    }
    this.next();
  }

  drop(job) {
    this.jobs = this.jobs.filter((other) => other !== job);
    job.line.remove();
    if (!this.isBusy) this.onSettled();
  }

  next() {
    const going = this.jobs.filter((job) => job.state === "going").length;
    for (const job of this.jobs.filter((one) => one.state === "queued").slice(0, AT_ONCE - going)) this.send(job);
  }

  async send(job) {
    job.state = "going";
    job.failed.hidden = true;
    try {
      const onStep = (step) => this.show(job, step);
      const answer = await sendPhoto(job.file, { key: job.key, group: this.group, onStep });
      if (answer.kept) {
        job.state = "kept";
        this.show(job, { step: "kept", share: null, text: "It waits in this browser and goes up when the machine is in reach." });
      } else {
        job.state = "done";
        job.reading = answer;
        this.showAnswer(job).catch(() => { /* leaving for the answer itself ends it */ });
      }
    } catch (error) {
      job.state = "failed";
      this.show(job, { step: "failed", share: null, text: error.message });
      job.failed.hidden = false;
    }
    this.next();
    if (!this.isBusy) this.onSettled();
  }

  draw(job) {
    job.line = document.createElement("li");
    job.line.className = "job";
    const picture = document.createElement("img");
    picture.alt = "";
    picture.addEventListener("error", () => { picture.hidden = true; }); // HEIC, where the browser knows none
    picture.src = URL.createObjectURL(job.file);
    job.said = document.createElement("p");
    job.said.setAttribute("role", "status");
    job.bar = document.createElement("progress");
    job.bar.setAttribute("aria-label", "Progress");
    job.failed = document.createElement("div");
    job.failed.className = "row";
    job.failed.hidden = true;
    job.failed.append(this.button("Try again", () => this.send(job)), this.button("Leave it", () => this.drop(job)));
    const words = document.createElement("div");
    words.append(job.said, job.bar, job.failed);
    job.line.append(picture, words);
    this.list.append(job.line);
    this.show(job, { step: "queued", share: null, text: "Waits for the one before it …" });
  }

  button(word, action) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "button small";
    button.textContent = word;
    button.addEventListener("click", action);
    return button;
  }

  show(job, { step, share, text }) {
    if (job.said.textContent !== text) job.said.textContent = text;
    job.bar.hidden = step === "kept" || step === "failed" || step === "queued";
    if (share === null || share >= 1) job.bar.removeAttribute("value");
    else job.bar.value = share;
    job.line.dataset.step = step;
  }

  async showAnswer(job) {
    this.show(job, { step: "read", share: null, text: "Read." });
    job.bar.hidden = true;
    const answer = await fetch(`/readings/${job.reading.id}/card`);
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    job.line.replaceChildren(...page.body.children);
    job.line.dataset.step = "done";
  }
}

// A photo may be on its way from the camera: the page must not leave under it.
let isPicking = false;
document.addEventListener("click", (event) => { if (event.target.matches?.("input[type=file]")) isPicking = true; });
document.addEventListener("change", () => { isPicking = false; });
document.addEventListener("cancel", () => { isPicking = false; }, true);
window.addEventListener("focus", () => setTimeout(() => { isPicking = false; }, 1500));

function openWhenFree(intake, address) {
  if (intake.isBusy) return; // more came meanwhile: this is asked again when they are done
  if (isPicking || document.hidden) setTimeout(() => openWhenFree(intake, address), 300);
  else location.assign(address);
}

function listRound() {
  try { return JSON.parse(sessionStorage.getItem(ROUND)) || []; } catch (error) { return []; }
}

function keepRound(addresses) {
  try { sessionStorage.setItem(ROUND, JSON.stringify(addresses)); } catch (error) { /* then without "next answer" */ }
}

function addressTogether(readings) {
  return readings.length === 1 ? `/readings/${readings[0]}` : `/same-piece?${readings.map((id) => `reading=${id}`).join("&")}`;
}
