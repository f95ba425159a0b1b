// The log form: shows the fields of the chosen kind without asking the server.
"use strict";

const kind = document.getElementById("kind");

function show(word) {
  for (const fields of document.querySelectorAll("fieldset[data-kind]")) {
    const chosen = fields.dataset.kind === word;
    fields.hidden = !chosen;
    fields.disabled = !chosen;
    if (chosen && "unfolded" in fields.dataset) document.getElementById("log-rest").open = true;
  }
}

if (kind) {
  kind.addEventListener("change", () => show(kind.value));
  show(kind.value); // the browser may remember another choice than the server's
}
