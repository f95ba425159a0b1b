// Makes photographs smaller before they are sent: no longer than the service stores them, as JPEG
// without location. What this browser cannot read is sent as it is; the service decides.
"use strict";

const EDGE = 2048;
const QUALITY = 0.88;
const SMALL = 400_000; // bytes: not worth the work

/** The picture as a smaller JPEG, or as it is. */
export async function shrunk(file) {
  if (file.type === "image/jpeg" && file.size < SMALL) return file;
  let image = null;
  try {
    image = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, EDGE / Math.max(image.width, image.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(image.width * scale));
    canvas.height = Math.max(1, Math.round(image.height * scale));
    const drawing = canvas.getContext("2d");
    drawing.fillStyle = "#fff";
    drawing.fillRect(0, 0, canvas.width, canvas.height);
    drawing.drawImage(image, 0, 0, canvas.width, canvas.height);
    const small = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", QUALITY));
    return small && small.size < file.size ? new File([small], "picture.jpg", { type: "image/jpeg" }) : file;
  } catch {
    return file; // HEIC in most browsers, or no picture at all
  } finally {
    image?.close();
  }
}

/** Replaces what was chosen in an input by smaller ones. */
async function shrinkChosen(input) {
  const chosen = new DataTransfer();
  for (const file of input.files) chosen.items.add(await shrunk(file));
  input.files = chosen.files;
}

const working = new Map();
for (const input of document.querySelectorAll("form:not(.report) input[data-shrink]")) {
  input.addEventListener("change", () => working.set(input, shrinkChosen(input)));
  input.form.addEventListener("submit", async (event) => {
    if (!working.has(input)) return;
    event.preventDefault();
    const { submitter } = event;
    await working.get(input);
    working.delete(input);
    await new Promise((resume) => setTimeout(resume)); // a form takes no submit within a submit
    input.form.requestSubmit(submitter);
  });
}
