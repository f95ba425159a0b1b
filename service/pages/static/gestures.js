// Touch on a chart: one finger sideways moves the window of time, two fingers zoom it.

const START_PX = 8; // a smaller move is a tap

/**
 * Listens to the fingers on an element.
 * @param plot gives {left, width} of the part that shows the window, in CSS pixels of the page.
 * @param span gives the window as {start, end}, seconds.
 * @param hooks preview(start, end) while the fingers move; done(start, end) when they are lifted.
 */
export function listenToTouch(element, plot, span, hooks) {
  const fingers = new Map(); // pointer id → {from, at}: CSS pixels
  let before = null; // the window when the present fingers came down
  let latest = null; // the window that the fingers lead to

  function begin() {
    before = { ...(latest ?? span()) };
    for (const finger of fingers.values()) finger.from = finger.at;
  }

  function led() {
    const { left, width } = plot();
    const length = before.end - before.start;
    const share = (x) => (x - left) / width;
    const time = (x) => before.start + share(x) * length;
    const [first, second] = [...fingers.values()];
    if (!second) {
      if (latest === null && Math.abs(first.at - first.from) < START_PX) return null;
      const by = share(first.from) - share(first.at);
      return { start: before.start + by * length, end: before.end + by * length };
    }
    const apart = share(second.at) - share(first.at);
    if (Math.abs(apart) < 0.01) return latest;
    const wide = Math.abs((time(second.from) - time(first.from)) / apart);
    const start = time(first.from) - share(first.at) * wide;
    return { start, end: start + wide };
  }

  function lift({ pointerId }) {
    if (!fingers.delete(pointerId)) return;
    if (fingers.size) {
      begin();
      return;
    }
    if (latest) hooks.done(latest.start, latest.end);
    latest = null;
  }

  element.addEventListener("pointerdown", ({ pointerId, pointerType, clientX }) => {
    if (pointerType !== "touch" || fingers.size === 2) return;
    fingers.set(pointerId, { from: clientX, at: clientX });
    begin();
  });
  element.addEventListener("pointermove", ({ pointerId, clientX }) => {
    const finger = fingers.get(pointerId);
    if (!finger) return;
    finger.at = clientX;
    latest = led() ?? latest;
    if (latest) hooks.preview(latest.start, latest.end);
  });
  element.addEventListener("pointerup", lift);
  element.addEventListener("pointercancel", lift);
}
