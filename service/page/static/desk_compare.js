// Slide and mirror the lower strip until the figures of both meet.
"use strict";

const slide = document.getElementById("slide");
if (slide !== null) {
  const lower = document.getElementById("lower");
  const mirror = document.getElementById("mirror");
  const move = () => {
    lower.style.transform = `translateX(${slide.value}%)${mirror.checked ? " scaleX(-1)" : ""}`;
    slide.setAttribute("aria-valuetext", `${Math.abs(slide.value)} percent of its length to the ${slide.value < 0 ? "left" : "right"}`);
  };
  slide.addEventListener("input", move);
  mirror.addEventListener("change", move);
}
