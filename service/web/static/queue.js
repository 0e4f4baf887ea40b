// What waits to be sent, kept in the browser's own database until the server has it: photos, and
// what was seen on a bird beside them.
export const ROOT = document.body.dataset.root;
const NAME = "combwright", PHOTOS = "photos";

function opened() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, 1);
    request.onupgradeneeded = () =>
      request.result.createObjectStore(PHOTOS, { keyPath: "key", autoIncrement: true });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

async function within(mode, work) {
  const database = await opened();
  try {
    return await new Promise((resolve, reject) => {
      const transaction = database.transaction(PHOTOS, mode);
      const request = work(transaction.objectStore(PHOTOS));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onerror = () => reject(transaction.error);
      transaction.onabort = () => reject(transaction.error);
    });
  } finally {
    database.close();
  }
}

// Bytes, not the file itself: a phone may take a camera's file away once the page is left.
// `isNew` says that the bird isn't on record yet.
export async function keep(file, band, isNew = false) {
  const bytes = await file.arrayBuffer();
  return within("readwrite", (store) =>
    store.add({ bytes, type: file.type, name: file.name || "photo.jpg", band, isNew }));
}

// What was seen on a bird: { crest: true } or { beard: false }.
export const note = (band, seen) => within("readwrite", (store) => store.add({ band, seen }));

export const waiting = () => within("readonly", (store) => store.getAll());
const forget = (key) => within("readwrite", (store) => store.delete(key));

function request(item) {
  if (item.seen) {
    return fetch(`${ROOT}/api/v1/birds/${encodeURIComponent(item.band)}/seen`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(item.seen),
    });
  }
  const form = new FormData();
  form.append("bird", item.band);
  if (item.isNew) form.append("new", "true");
  form.append("file", new Blob([item.bytes], { type: item.type }), item.name);
  return fetch(`${ROOT}/api/v1/photos`, { method: "POST", body: form });
}

let busy = false;

// Send what waits, one by one, oldest first. `told(item, answer)` hears of each that is through:
// kept (answer) or refused (answer.error). Returns "" when all are through, else why the rest waits:
// "net", or "account" where somebody has to sign in first.
export async function send(told) {
  if (busy) return "";
  busy = true;
  try {
    for (let item = (await waiting())[0]; item; item = (await waiting())[0]) {
      let response;
      try {
        response = await request(item);
      } catch {
        return "net";
      }
      // Nothing is wrong with it then: it stays until it can be sent.
      if ([401, 403].includes(response.status)) return "account";
      if (response.status >= 500 || [408, 429].includes(response.status)) return "net";
      let answer;
      try {
        answer = await response.json();
      } catch {
        return "net";
      }
      await forget(item.key);
      told(item, answer);
    }
    return "";
  } finally {
    busy = false;
  }
}
