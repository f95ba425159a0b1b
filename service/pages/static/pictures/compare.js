// Lays two pictures over each other: a slider, or a finger on the picture, moves the line between
// them. Without script they stand side by side.
"use strict";

const pair = document.getElementById("pair");
const pictures = pair ? [...pair.querySelectorAll("figure img")] : [];

function laid() {
  const [before, after] = pictures;
  const stage = document.createElement("div");
  stage.className = "stage";
  const over = document.createElement("div");
  over.className = "over";
  const captions = document.createElement("div");
  captions.className = "captions";
  captions.append(...[...pair.querySelectorAll("figcaption")].map((one) => {
    const line = document.createElement("p");
    line.className = "stamp";
    line.append(...one.childNodes);
    return line;
  }));
  for (const one of pictures) one.draggable = false;
  over.append(after);
  stage.append(before, over);

  const slider = document.createElement("input");
  slider.type = "range";
  Object.assign(slider, { id: "cut", min: 0, max: 100, step: 1, value: 50 });
  const label = document.createElement("label");
  label.htmlFor = "cut";
  label.textContent = "Before";
  const end = document.createElement("span");
  end.textContent = "After";
  end.setAttribute("aria-hidden", "true");
  slider.setAttribute("aria-label", "Line between the picture before and the picture after");
  const row = document.createElement("div");
  row.className = "slide";
  row.append(label, slider, end);

  function cut() {
    stage.style.setProperty("--cut", `${slider.value}%`);
    slider.setAttribute("aria-valuetext", `${slider.value} % before, ${100 - slider.value} % after`);
  }

  function follow(event) {
    const box = stage.getBoundingClientRect();
    slider.value = Math.round((100 * (event.clientX - box.left)) / box.width);
    cut();
  }

  slider.addEventListener("input", cut);
  stage.addEventListener("pointerdown", (event) => {
    stage.setPointerCapture(event.pointerId);
    follow(event);
  });
  stage.addEventListener("pointermove", (event) => {
    if (stage.hasPointerCapture(event.pointerId)) follow(event);
  });
  pair.replaceChildren(stage, row, captions);
  pair.classList.add("laid");
  cut();
}

if (pictures.length === 2) laid();
document.documentElement.dataset.ready = "";
