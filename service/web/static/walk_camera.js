// What a walk does with the phone itself: its reader, its camera, its voice, its room for photos.
import { labelReader } from "./labels.js";
import { begin, possible } from "./pocket/reader.js";
import { ROOT } from "./queue.js";
import { open, refusal } from "./viewfinder.js";

// Whether the pages' worker stood between when this page was asked for, and so has kept it.
const wasControlled = Boolean(navigator.serviceWorker?.controller);
const element = (id) => document.getElementById(id);
const LITTLE = 60e6, A_PHOTO = 4e6; // bytes
const LATER = 8000; // ms until what isn't needed at once is fetched, so that it is there without a net

// The reader is fetched once the pages' own worker stands between, so that it is kept for later.
async function controlled() {
  const worker = navigator.serviceWorker;
  if (!worker || worker.controller) return;
  await Promise.race([
    new Promise((done) => worker.addEventListener("controllerchange", done, { once: true })),
    new Promise((done) => setTimeout(done, 3000)),
  ]);
}

// A page that was loaded before its worker stood between is asked for again, so that it is kept.
async function keepPage() {
  if (!navigator.serviceWorker || wasControlled) return;
  await controlled();
  fetch(location.pathname).catch(() => {});
}

export const pocket = {
  // The reader's words once it can read here; null where it can't.
  begun() {
    return possible() ? controlled().then(() => begin(ROOT)).catch(() => null) : Promise.resolve(null);
  },
};

export const aloud = {
  say(text, language) {
    if (!element("aloud").checked || !text || !globalThis.speechSynthesis) return;
    const spoken = new SpeechSynthesisUtterance(text);
    spoken.lang = language;
    speechSynthesis.cancel();
    speechSynthesis.speak(spoken);
  },
};

// Ask that photos which wait here aren't thrown away, and tell before there is no room for more.
async function room() {
  if (!navigator.storage?.estimate) return;
  navigator.storage.persist?.();
  const { quota, usage } = await navigator.storage.estimate();
  const left = quota - usage, says = element("room");
  says.hidden = left > LITTLE;
  says.textContent = says.dataset.says.replace("{number}", Math.max(0, Math.floor(left / A_PHOTO)));
}

export async function viewfinder({ knows, shot, above, chosen }) {
  const view = element("viewfinder"), opens = element("open-view"), says = element("camera-says");
  let close = null, labels = null;
  const fetchLabels = () => (labels ??= labelReader(ROOT, knows).catch(() => { labels = null; return null; }));
  element("aloud").checked = localStorage.getItem("aloud") === "yes";
  element("aloud").addEventListener("change", () => {
    localStorage.setItem("aloud", element("aloud").checked ? "yes" : "no");
  });
  element("aloud-line").hidden = !globalThis.speechSynthesis;
  opens.hidden = false;
  opens.addEventListener("click", async () => {
    opens.disabled = true;
    says.textContent = says.dataset.wait;
    const words = await pocket.begun();
    try {
      if (!words) throw new DOMException("no reader", "NotSupportedError");
      const band = await fetchLabels();
      const label = band && (async (video) => { const found = await band(video); if (found) chosen(found); });
      close = await open(view, { words, shot, above, label });
      opens.hidden = true;
      says.textContent = "";
    } catch (error) {
      says.textContent = says.dataset[error.name === "NotSupportedError" ? "unable" : refusal(error)];
    }
    opens.disabled = false;
  });
  element("close-view").addEventListener("click", () => {
    close?.();
    opens.hidden = false;
    opens.focus();
  });
  addEventListener("pagehide", () => close?.());
  // Where data are dear the reader is fetched when it is first needed.
  if (!navigator.connection?.saveData) pocket.begun().then(() => setTimeout(fetchLabels, LATER));
  keepPage();
  await room();
}
