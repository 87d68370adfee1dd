// The print laid on a candidate's as soon as the candidate comes into view, one at a time.
"use strict";

{
  // Likeness of prints laid on each other in the demo gallery: of 38 pairs of one motif three quarters reach
  // 0.62; of 50 pairs of two motifs nine tenths stay under 0.41, and the highest reaches 0.70.
  const CLOSELY = 0.7;
  const HARDLY = 0.41;

  function sayLikeness(likeness) {
    const share = `${Math.max(0, Math.round(likeness * 100))} of 100`;
    if (likeness >= CLOSELY) return `Laid on each other the prints agree closely: ${share}.`;
    if (likeness >= HARDLY) return `Laid on each other the prints agree in part: ${share}. Look which lines stand alone.`;
    return `Laid on each other the prints hardly agree: ${share}, as with another motif, or a border not well unrolled.`;
  }

  const lies = {
    mirrored: "It fits mirrored: a stamp can be set either way round, that makes no other motif.",
    turned: "It fits turned by half a turn: that makes no other motif.",
    "upside down": "It fits upside down: a stamp can be set either way up, that makes no other motif.",
  };

  function item(text) {
    const line = document.createElement("li");
    line.textContent = text;
    return line;
  }

  function listSentences({ likeness, lie, height_ratio: height, length_ratio: length }) {
    const said = [sayLikeness(likeness)];
    if (lies[lie]) said.push(lies[lie]);
    if (Math.abs(Math.log(height)) > 0.1) said.push(`The gallery’s print is ${height > 1 ? "higher" : "lower"} on its photo, ${Math.round(height * 100)} % of yours.`);
    if (Math.abs(Math.log(length)) > 0.1) said.push(`For its height the gallery’s is ${length > 1 ? "wider" : "closer"} set, ${Math.round(length * 100)} % of yours.`);
    return said;
  }

  async function showOverlap(place) {
    const answer = await fetch(place.dataset.overlap);
    const facts = await answer.json();
    if (!answer.ok) {
      place.firstElementChild.textContent = facts.detail || "The prints cannot be laid on each other.";
      return;
    }
    const figure = document.createElement("figure");
    const picture = document.createElement("img");
    picture.alt = `Your print laid on that of ${place.dataset.motif}`;
    picture.src = facts.picture;
    const words = document.createElement("figcaption");
    words.textContent = "Black: in both. Blue: only on yours. Red: only in the gallery.";
    figure.append(picture, words);
    place.replaceChildren(figure);
    const sentences = listSentences(facts).map(item);
    place.parentElement.querySelector(".differs").prepend(...sentences);
  }

  let last = Promise.resolve();
  const watcher = new IntersectionObserver((seen) => {
    for (const { isIntersecting, target } of seen) {
      if (!isIntersecting) continue;
      watcher.unobserve(target);
      last = last.then(() => showOverlap(target)).catch(() => {
        target.firstElementChild.textContent = "The prints could not be laid on each other now.";
      });
    }
  }, { rootMargin: "200px" });
  for (const place of document.querySelectorAll(".overlap")) watcher.observe(place);
}
