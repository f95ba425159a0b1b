// Reports that wait on this phone until they were taken or refused, in IndexedDB: those of every
// link side by side, each under its key.
"use strict";

const NAME = "littoral-outbox";
const STORE = "reports";

/** The database; rejects where the browser keeps none, as in some private windows. */
function opened() {
  return new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "key" });
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
}

/** What `work` asks of the store; resolves when it is on the disk. */
async function withStore(mode, work) {
  const database = await opened();
  try {
    return await new Promise((resolve, reject) => {
      const transaction = database.transaction(STORE, mode, { durability: "strict" });
      const asked = work(transaction.objectStore(STORE));
      transaction.oncomplete = () => resolve(asked.result);
      transaction.onabort = transaction.onerror = () => reject(transaction.error);
    });
  } finally {
    database.close();
  }
}

/** Keeps a report, or keeps it as it is now. */
export function keep(report) {
  return withStore("readwrite", (store) => store.put(report));
}

/** Forgets a report. */
export function forget(key) {
  return withStore("readwrite", (store) => store.delete(key));
}

/** What is kept for a link, oldest first. */
export async function kept(link) {
  const all = await withStore("readonly", (store) => store.getAll());
  return all.filter((one) => one.link === link).sort((a, b) => a.at - b.at);
}

/** How many bytes of pictures are kept, of all links. */
export async function keptBytes() {
  const all = await withStore("readonly", (store) => store.getAll());
  return all.flatMap((one) => one.pictures ?? []).reduce((sum, one) => sum + one.data.byteLength, 0);
}
