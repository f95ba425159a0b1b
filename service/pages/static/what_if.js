// The what-if page: the answer follows the sliders. It comes from the page itself, as without script.

const PAUSE_MS = 200; // after the last move
const form = document.getElementById("what-if");
let waiting = null;
let asked = 0;

function words(slider) {
  const value = Number(slider.value);
  if (slider.dataset.form === "clock") {
    const two = (number) => String(Math.floor(number)).padStart(2, "0");
    return `${two(value / 60)}:${two(value % 60)}`;
  }
  return `${value} ${slider.dataset.unit}`;
}

/** Writes beside a slider, and for those who hear it, where it stands. */
function show(slider) {
  document.getElementById(`${slider.id}-shown`).textContent = words(slider);
  slider.setAttribute("aria-valuetext", words(slider));
}

async function answer() {
  const mine = ++asked;
  const place = document.getElementById("answer");
  const address = `${location.pathname}?${new URLSearchParams(new FormData(form))}`;
  place.setAttribute("aria-busy", "true");
  let fresh;
  try {
    const page = new DOMParser().parseFromString(await (await fetch(address)).text(), "text/html");
    fresh = [...page.getElementById("answer").childNodes];
  } catch (error) {
    const text = document.createElement("p");
    text.className = "fault";
    text.textContent = "No answer from the service: this is the last day that it worked out.";
    fresh = [text, ...place.childNodes];
  }
  if (mine !== asked) return;
  place.replaceChildren(...fresh);
  place.removeAttribute("aria-busy");
  history.replaceState(null, "", address);
}

form?.addEventListener("input", ({ target }) => {
  show(target);
  clearTimeout(waiting);
  waiting = setTimeout(answer, PAUSE_MS);
});
form?.addEventListener("submit", (event) => {
  event.preventDefault();
  clearTimeout(waiting);
  answer();
});
for (const slider of form?.querySelectorAll("input[type=range]") ?? []) show(slider);
