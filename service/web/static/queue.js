// Photos that wait to be sent, kept in the browser's own database until the server has them.
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
export async function keep(file, band) {
  const bytes = await file.arrayBuffer();
  return within("readwrite", (store) =>
    store.add({ bytes, type: file.type, name: file.name || "photo.jpg", band }));
}

export const waiting = () => within("readonly", (store) => store.getAll());
const forget = (key) => within("readwrite", (store) => store.delete(key));

let busy = false;

// Send what waits, one by one, oldest first. `told(photo, answer)` hears of each that is through:
// kept (answer) or refused (answer.error). Returns "" when all are through, else why the rest waits:
// "net", or "account" where somebody has to sign in first.
export async function send(told) {
  if (busy) return "";
  busy = true;
  try {
    for (let photo = (await waiting())[0]; photo; photo = (await waiting())[0]) {
      const form = new FormData();
      form.append("bird", photo.band);
      form.append("file", new Blob([photo.bytes], { type: photo.type }), photo.name);
      let response;
      try {
        response = await fetch("/api/v1/photos", { method: "POST", body: form });
      } catch {
        return "net";
      }
      // Nothing is wrong with the photo then: it stays until it can be sent.
      if ([401, 403].includes(response.status)) return "account";
      if (response.status >= 500 || [408, 429].includes(response.status)) return "net";
      let answer;
      try {
        answer = await response.json();
      } catch {
        return "net";
      }
      await forget(photo.key);
      told(photo, answer);
    }
    return "";
  } finally {
    busy = false;
  }
}
