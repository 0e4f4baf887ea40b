// The walk without leaving the page: bands by touch, photos into the queue, readings as they come.
import { keep, send, waiting } from "./queue.js";

const element = (id) => document.getElementById(id);
const shots = element("shots"), queue = element("queue"), shoot = element("shoot");
const words = shots.dataset;
const shown = new Map(); // photo's key in the queue -> its entry in the list

function choose(band) {
  element("band").value = band;
  element("bird").value = band;
  element("current").textContent = band;
  element("back").value = `${location.pathname}?band=${encodeURIComponent(band)}`;
  shoot.hidden = !band;
  const links = [...document.querySelectorAll("#birds a")];
  for (const link of links) {
    if (link.dataset.band === band) link.setAttribute("aria-current", "true");
    else link.removeAttribute("aria-current");
  }
  const place = links.findIndex((link) => link.dataset.band === band);
  const after = [...links.slice(place + 1), ...links.slice(0, Math.max(place, 0))];
  const next = after.find((link) => !link.classList.contains("seen"));
  const following = element("following");
  following.hidden = !next;
  if (next) {
    following.dataset.band = next.dataset.band;
    following.href = next.href;
    following.querySelector("span").textContent = next.dataset.band;
  }
  shots.replaceChildren(...[...shots.children].filter((li) => li.dataset.waits));
  history.replaceState(null, "", `?band=${encodeURIComponent(band)}`);
  if (band) element("files").focus({ preventScroll: true });
}

function entry(picture, text) {
  const item = document.createElement("li");
  const image = document.createElement("img");
  const said = document.createElement("p");
  image.src = picture;
  image.alt = "";
  image.width = image.height = 96;
  said.textContent = text;
  item.append(image, said);
  shots.prepend(item);
  return item;
}

function told(photo, answer) {
  const item = shown.get(photo.key) ??
    entry(URL.createObjectURL(new Blob([photo.bytes], { type: photo.type })), "");
  delete item.dataset.waits;
  const said = item.querySelector("p");
  const strong = document.createElement("strong");
  if (answer.error) {
    strong.textContent = `${words.refused} `;
    said.replaceChildren(strong, answer.error);
    return;
  }
  if (answer.quality.length) {
    strong.textContent = `${words.again} `;
    said.replaceChildren(strong, answer.quality.join("; "));
    item.classList.add("poor");
  } else {
    strong.textContent = `${answer.comb} `;
    const sure = answer.reading?.proposal ? `${Math.round(answer.reading.confidence * 100)} %` : "";
    const lines = [sure, ...answer.doubts].filter(Boolean);
    said.replaceChildren(strong, lines.join(". "));
  }
  const link = document.createElement("a");
  link.href = `/photos/${answer.sha256}`;
  link.textContent = photo.band;
  said.append(" ", link);
  mark(photo.band);
}

function mark(band) {
  const link = [...document.querySelectorAll("#birds a")].find((a) => a.dataset.band === band);
  if (!link || link.classList.contains("seen")) return;
  link.classList.add("seen");
  link.querySelector("span").textContent = " ✓";
  const bar = document.querySelector("#done progress");
  bar.value += 1;
}

async function state(why) {
  const count = (await waiting()).length;
  queue.hidden = !count && !queue.textContent;
  queue.classList.toggle("stuck", why !== "");
  const said = { "": "sending", net: "waiting", account: "account" }[why];
  queue.textContent = count ? `${count} ${queue.dataset[said]}` : queue.dataset.sent;
  if (count && why === "account") {
    const link = document.createElement("a");
    link.href = `/sign-in?back=${encodeURIComponent(location.pathname + location.search)}`;
    link.textContent = queue.dataset.signIn;
    queue.append(" ", link);
  }
  if (!count) setTimeout(() => { queue.hidden = true; }, 4000);
}

async function go() {
  await state(await send((photo, answer) => { told(photo, answer); state(""); }));
}

shoot.addEventListener("submit", async (event) => {
  event.preventDefault();
  await take();
});
element("files").addEventListener("change", take);

async function take() {
  const files = [...element("files").files], band = element("bird").value;
  element("files").value = "";
  for (const file of files) {
    const key = await keep(file, band);
    const item = entry(URL.createObjectURL(file), `${band} ${navigator.onLine ? words.reading : words.kept}`);
    item.dataset.waits = "1";
    shown.set(key, item);
  }
  if (files.length) {
    queue.hidden = false;
    await state(navigator.onLine ? "" : "net");
    await go();
  }
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-band]");
  if (!link || event.ctrlKey || event.metaKey) return;
  event.preventDefault();
  choose(link.dataset.band);
  shoot.scrollIntoView({ block: "center" });
});

element("band-form").addEventListener("submit", (event) => {
  event.preventDefault();
  choose(element("band").value.trim());
});

element("scan").hidden = false;
element("label").addEventListener("change", async () => {
  const says = element("label-says"), file = element("label").files[0];
  if (!file) return;
  const form = new FormData();
  form.append("file", file);
  try {
    const response = await fetch("/api/v1/labels", { method: "POST", body: form });
    const answer = await response.json();
    says.textContent = answer.error ?? "";
    if (answer.band) choose(answer.band);
  } catch {
    says.textContent = queue.dataset.waiting;
  }
  element("label").value = "";
});

element("send").hidden = true; // photos go as soon as they are taken
addEventListener("online", go);
setInterval(async () => { if ((await waiting()).length) go(); }, 4000);
if ((await waiting()).length) go();
// A page that was kept for another bird of this walk.
const asked = new URLSearchParams(location.search).get("band");
if (asked && asked !== element("bird").value) choose(asked);
