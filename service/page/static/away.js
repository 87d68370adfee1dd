// Lets the page open without the machine that runs Rimlight, where the browser allows it; says how it stands where
// <p id="away-how"> is. Browsers keep copies of pages in secure contexts only: over HTTPS, or on the machine itself.
"use strict";

(() => {
  const place = document.getElementById("away-how");
  const isHome = ["localhost", "127.0.0.1", "[::1]"].includes(location.hostname);

  function say(text, word, address) {
    if (!place) return;
    place.replaceChildren(text);
    if (word) {
      const link = document.createElement("a");
      link.href = address;
      link.textContent = word;
      place.append(" ", link);
    }
    place.hidden = false;
  }

  async function keepPage() {
    await navigator.serviceWorker.register("/worker.js");
    await navigator.serviceWorker.ready;
    if (navigator.storage && navigator.storage.persist) await navigator.storage.persist().catch(() => false);
    document.documentElement.dataset.away = "kept";
    if (!isHome) say("Out of reach of the machine that runs Rimlight this page still opens: photos that you take then wait here and go up later.");
  }

  // On the page that stands in for another while the machine is away: say when it is back.
  const gone = document.getElementById("gone");
  const look = async () => {
    try {
      const answer = await sending.askHealth();
      if (!answer.ok) return;
      gone.querySelector("p").textContent = "The machine that runs Rimlight is back in reach.";
      gone.querySelector("a").textContent = "Go on";
      clearInterval(looking);
    } catch (error) { /* still away */ }
  };
  const looking = gone ? setInterval(look, 5000) : 0;
  if (gone) window.addEventListener("online", look);

  if (!window.indexedDB) {
    say("This browser keeps nothing, as private windows do: photos are sent only while the machine that runs Rimlight is in reach.");
  } else if (!window.isSecureContext) {
    document.documentElement.dataset.away = "plain";
    say("Out of reach, keep this page open: photos that you take wait here and go up later. Opened anew it needs the machine, since browsers keep no page that came over plain HTTP.",
      "How it opens anywhere", "/certificate");
  } else if ("serviceWorker" in navigator) {
    keepPage().catch(() => {
      document.documentElement.dataset.away = "refused";
      say("Out of reach, keep this page open: photos that you take wait here and go up later. Opened anew it needs the machine, until this device trusts its certificate.",
        "How to make it trusted", "/certificate");
    });
  }
})();
