// Keeps the walk's pages and all of /static, so that a walk goes on where there is no net.
// Everything else comes from the net alone: readings and candidates must never be stale.
const KEPT = "combwright-1";
const MINE = ["/static/combwright.css", "/static/combs.svg", "/static/mark.svg", "/static/start.js",
  "/static/walk.js", "/static/queue.js", "/walk"];

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
  const kept = url.pathname.startsWith("/static/") || url.pathname.startsWith("/walk");
  if (event.request.method !== "GET" || url.origin !== location.origin || !kept) return;
  event.respondWith(fromNet(event.request, url));
});

async function fromNet(request, url) {
  const cache = await caches.open(KEPT);
  // Pages of one walk differ by the chosen band alone, which the page itself can change.
  const key = url.pathname.startsWith("/walk") ? url.pathname : request;
  try {
    const answer = await fetch(request);
    // A page that leads to signing in isn't the one that was asked for.
    if (answer.ok && !answer.redirected) await cache.put(key, answer.clone());
    return answer;
  } catch (error) {
    const found = await cache.match(key);
    if (found) return found;
    throw error;
  }
}
