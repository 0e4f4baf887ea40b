// Keeps the walk's pages, the reader and all of /static, so that a walk goes on where there is no net.
// Everything else comes from the net alone: readings and candidates must never be stale.
const KEPT = "combwright-2";
const ROOT = new URL(".", location).pathname; // "/", or the path that the pages are served under
const MINE = ["static/combwright.css", "static/combs.svg", "static/mark.svg", "static/start.js",
  "static/walk.js", "static/queue.js", "static/walk_camera.js", "static/viewfinder.js", "static/labels.js", "static/keypad.js",
  ...["reader", "thread", "looking", "judging", "pixels", "words", "telling"].map((name) => `static/pocket/${name}.js`),
  "static/onnxruntime/ort.wasm.min.mjs", "static/onnxruntime/ort-wasm-simd-threaded.mjs", "walk"].map((path) => ROOT + path);

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((cache) => cache.addAll(MINE)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(caches.keys()
    .then((names) => Promise.all(names.filter((n) => n !== KEPT).map((n) => caches.delete(n))))
    .then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  const kept = url.pathname.startsWith(`${ROOT}static/`) || url.pathname.startsWith(`${ROOT}pocket/`) || url.pathname.startsWith(`${ROOT}walk`);
  if (event.request.method !== "GET" || url.origin !== location.origin || !kept) return;
  event.respondWith(fromNet(event.request, url));
});

async function fromNet(request, url) {
  const cache = await caches.open(KEPT);
  // Pages of one walk differ by the chosen band alone, which the page itself can change.
  const key = url.pathname.startsWith(`${ROOT}walk`) ? url.pathname : request;
  let answer;
  try {
    answer = await fetch(request);
  } catch (error) {
    const found = await cache.match(key, { ignoreVary: true });
    if (found) return found;
    throw error;
  }
  // A page that leads to signing in isn't the one that was asked for.
  if (answer.ok && !answer.redirected) {
    const kept = answer.clone();
    await cache.put(key, kept).catch(() => {}); // no room: it is shown all the same
  }
  return answer;
}
