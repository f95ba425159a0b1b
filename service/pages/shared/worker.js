// Answers for one link's page where there is no connection: with the sheet that was last shown.
// The line above names the page and the files that it needs; nothing else is touched.
"use strict";

const CACHE = `littoral-link ${LINK.page}`;
const PATIENCE_MS = 8_000; // a weak signal can leave a request hanging for minutes

addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(CACHE);
    await cache.addAll(LINK.files);
    await sheet(new Request(LINK.page, { headers: { Accept: "text/html" } }));
    await skipWaiting();
  })());
});

addEventListener("activate", (event) => event.waitUntil(clients.claim()));

addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (request.method !== "GET" || origin !== location.origin) return;
  if (request.mode === "navigate" && pathname === LINK.page) event.respondWith(sheet(request));
  else if (LINK.files.includes(pathname)) event.respondWith(file(request));
});

async function fresh(request) {
  const ending = new AbortController();
  const timer = setTimeout(() => ending.abort(), PATIENCE_MS);
  try {
    return await fetch(request, { signal: ending.signal });
  } finally {
    clearTimeout(timer);
  }
}

/** The page as it is now; where that can't be had, as it was last, unless the link has ended. */
async function sheet(request) {
  const cache = await caches.open(CACHE);
  let answer = null;
  try {
    answer = await fresh(request);
  } catch {
    // no connection: what was kept is shown below
  }
  if (answer?.ok) {
    await cache.put(LINK.page, answer.clone());
    return answer;
  }
  if (answer?.status === 404 || answer?.status === 410) await cache.delete(LINK.page);
  if (answer && answer.status < 500) return answer;
  const last = await cache.match(LINK.page, { ignoreVary: true });
  if (!last) return answer ?? nothing("No connection, and no sheet is kept on this phone.");
  if (Date.parse(last.headers.get("Sunset")) <= Date.now()) {
    await cache.delete(LINK.page);
    return nothing("No connection, and this link has ended. What you ticked off is still kept: open this page again with a connection.");
  }
  return last;
}

async function file(request) {
  const cache = await caches.open(CACHE);
  try {
    const answer = await fresh(request);
    if (answer.ok) await cache.put(request, answer.clone());
    return answer;
  } catch (error) {
    const last = await cache.match(request, { ignoreVary: true });
    if (!last) throw error;
    return last;
  }
}

function nothing(words) {
  const headers = { "Content-Type": "text/plain; charset=utf-8" };
  return new Response(words, { status: 503, headers });
}
