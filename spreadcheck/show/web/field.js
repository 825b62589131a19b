"use strict";
const steps = JSON.parse(document.getElementById("data").textContent).steps;
const slider = document.getElementById("field-switch");
function shown() {
  const step = steps[Number(slider.value)];
  document.getElementById("field-map").setAttribute("href", step.image);
  document.getElementById("field-words").textContent = step.words;
  slider.setAttribute("aria-valuetext", step.words);
}
slider.addEventListener("input", shown);
shown();
