// The walk without leaving the page: bands by touch, photos into the queue, readings as they come.
import { keypad } from "./keypad.js";
import { aloud, pocket, viewfinder } from "./walk_camera.js";
import { read } from "./pocket/reader.js";
import { crested, told as tell } from "./pocket/telling.js";
import { ROOT, keep, note, send, waiting } from "./queue.js";

const element = (id) => document.getElementById(id);
const shots = element("shots"), queue = element("queue"), shoot = element("shoot");
const birds = element("birds"), noted = element("noted");
const words = shots.dataset;
// Bands whose crest hides the comb: a view from above is asked for once.
const wantsAbove = new Set(), hasAbove = new Set();
const shown = new Map(); // photo's key in the queue -> its entry in the list
const links = () => [...birds.querySelectorAll("a")];
const linkOf = (band) => links().find((link) => link.dataset.band === band);

function choose(band) {
  element("band").value = band;
  element("bird").value = band;
  element("current").textContent = band;
  element("back").value = `${location.pathname}?band=${encodeURIComponent(band)}`;
  shoot.hidden = !band;
  const known = linkOf(band);
  element("new-line").hidden = !band || Boolean(known);
  element("new").checked = false;
  for (const link of links()) {
    if (link === known) link.setAttribute("aria-current", "true");
    else link.removeAttribute("aria-current");
  }
  const all = links(), place = all.indexOf(known);
  const after = [...all.slice(place + 1), ...all.slice(0, Math.max(place, 0))];
  const next = after.find((link) => !link.classList.contains("seen") && !link.dataset.waits);
  const following = element("following");
  following.hidden = !next;
  if (next) {
    following.dataset.band = next.dataset.band;
    following.href = next.href;
    following.querySelector("span").textContent = next.dataset.band;
  }
  showNoted(known);
  shots.replaceChildren(...[...shots.children].filter((li) => li.dataset.waits));
  history.replaceState(null, "", `?band=${encodeURIComponent(band)}`);
  if (band) element("files").focus({ preventScroll: true });
}

function showNoted(link) {
  noted.hidden = !element("bird").value;
  for (const pair of noted.querySelectorAll("fieldset")) {
    for (const button of pair.querySelectorAll("button")) {
      const value = link?.dataset[pair.dataset.what] ?? "";
      button.setAttribute("aria-pressed", String(button.dataset.value === value));
    }
  }
}

noted.addEventListener("click", async (event) => {
  const button = event.target.closest("button"), band = element("bird").value;
  if (!button || !band) return;
  const what = button.closest("fieldset").dataset.what, link = linkOf(band);
  if (link) link.dataset[what] = button.dataset.value;
  for (const one of button.parentElement.querySelectorAll("button")) {
    one.setAttribute("aria-pressed", String(one === button));
  }
  await note(band, { [what]: button.dataset.value === "yes" });
  await go();
});

function entry(picture, text) {
  const item = document.createElement("li");
  const image = document.createElement("img");
  const said = document.createElement("div");
  image.src = picture;
  image.alt = "";
  image.width = image.height = 96;
  said.textContent = text;
  item.append(image, said);
  shots.prepend(item);
  return item;
}

function line(text, strong = "") {
  const said = document.createElement("p");
  if (strong) {
    const part = document.createElement("strong");
    part.textContent = `${strong} `;
    said.append(part);
  }
  said.append(text);
  return said;
}

// The bird that a photo went to, large, and a way to put a wrong one right.
function whose(sha256, band) {
  const large = line(`${words.bird} ${band}`);
  large.className = "went-to";
  const label = document.createElement("label"), choice = document.createElement("select");
  label.className = "small";
  choice.append(new Option(band, band));
  for (const link of links()) {
    if (link.dataset.band !== band) choice.append(new Option(link.dataset.band, link.dataset.band));
  }
  choice.addEventListener("change", async () => {
    const response = await fetch(`${ROOT}/api/v1/photos/${sha256}/bird`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ bird: choice.value }),
    });
    const answer = await response.json();
    large.textContent = answer.error ?? words.moved.replace("{band}", choice.value);
    if (!answer.error) mark(choice.value);
  });
  label.append(`${words.other} `, choice);
  return [large, label];
}

function told(item, answer) {
  if (item.seen) {
    if (answer.error) entry(`${ROOT}/static/mark.svg`, answer.error);
    return;
  }
  const place = shown.get(item.key) ??
    entry(URL.createObjectURL(new Blob([item.bytes], { type: item.type })), "");
  delete place.dataset.waits;
  const said = place.querySelector("div");
  if (answer.error) {
    said.replaceChildren(line(answer.error, words.refused));
    return;
  }
  const lines = [];
  if (answer.asked || !answer.bird) {
    lines.push(line(answer.asked));
    const link = document.createElement("a");
    link.href = `${ROOT}/assign?photo=${answer.sha256}&band=${encodeURIComponent(item.band)}`;
    link.textContent = words.open;
    lines.push(link);
    place.classList.add("poor");
  } else {
    lines.push(...whose(answer.sha256, answer.bird));
  }
  if (answer.quality.length) {
    lines.push(line(answer.quality.join("; "), words.again));
    place.classList.add("poor");
  } else {
    const sure = answer.reading?.proposal ? `${Math.round(answer.reading.confidence * 100)} %` : "";
    lines.push(line([sure, ...answer.doubts].filter(Boolean).join(". "), answer.comb));
  }
  said.replaceChildren(...lines);
  if (answer.bird) mark(answer.bird);
}

// What this phone's own reader says, until the server has answered.
async function readHere(file, item, band) {
  const spoken = await pocket.begun();
  if (!spoken) return;
  let reading;
  try {
    reading = await read(file);
  } catch {
    return; // a kind of picture that the browser can't open; the server will
  }
  if (crested(reading) && !hasAbove.has(band)) wantsAbove.add(band);
  const { comb, sure, doubts, poor } = tell(reading, spoken);
  aloud.say(comb || doubts[0], spoken.language);
  if (!item.dataset.waits) return;
  const large = line(`${words.bird} ${band}`), here = line(words.here);
  large.className = "went-to";
  here.className = "small";
  item.querySelector("div").replaceChildren(
    large, line([sure, ...doubts].filter(Boolean).join(". "), poor ? words.again : comb), here);
  item.classList.toggle("poor", poor);
  item.dataset.comb = reading.proposal ?? "";
}

// A bird of the list: its photo waits, or it is done.
function waits(band) {
  const link = linkOf(band);
  if (!link || link.classList.contains("seen")) return;
  link.dataset.waits = "1";
  link.querySelector("span").textContent = " ↑";
  link.title = birds.dataset.waits;
}

function mark(band) {
  let link = linkOf(band);
  if (!link) {
    const place = document.createElement("li");
    link = document.createElement("a");
    link.dataset.band = band;
    link.href = `${location.pathname}?band=${encodeURIComponent(band)}`;
    link.append(band, document.createElement("span"));
    place.append(link);
    birds.append(place);
  }
  delete link.dataset.waits;
  link.title = birds.dataset.done;
  if (link.classList.contains("seen")) return;
  link.classList.add("seen");
  link.querySelector("span").textContent = " ✓";
  const bar = document.querySelector("#done progress"), says = element("done-says");
  bar.value += 1;
  says.textContent = says.dataset.says.replace("{done}", bar.value);
}

async function state(why) {
  const count = (await waiting()).filter((item) => !item.seen).length;
  queue.hidden = !count && !queue.textContent;
  queue.classList.toggle("stuck", why !== "");
  const said = { "": "sending", net: "waiting", account: "account" }[why];
  const sentence = queue.dataset[count === 1 ? `${said}One` : said];
  queue.textContent = count ? sentence.replace("{number}", count) : queue.dataset.sent;
  if (count && why === "account") {
    const link = document.createElement("a");
    link.href = `${ROOT}/sign-in?back=${encodeURIComponent(location.pathname + location.search)}`;
    link.textContent = queue.dataset.signIn;
    queue.append(" ", link);
  }
  if (!count) setTimeout(() => { queue.hidden = true; }, 4000);
}

async function go() {
  await state(await send((item, answer) => { told(item, answer); state(""); }));
}

shoot.addEventListener("submit", async (event) => {
  event.preventDefault();
  await take();
});
element("files").addEventListener("change", take);

async function take() {
  const files = [...element("files").files];
  element("files").value = "";
  await takeAll(files);
}

async function takeAll(files) {
  const band = element("bird").value, isNew = element("new").checked;
  if (files.length && wantsAbove.delete(band)) hasAbove.add(band);
  for (const file of files) {
    const text = `${band} ${navigator.onLine ? words.reading : words.kept}`;
    const item = entry(URL.createObjectURL(file), text);
    try {
      shown.set(await keep(file, band, isNew), item);
    } catch {
      item.querySelector("div").replaceChildren(line(words.full, words.refused));
      item.classList.add("poor");
      return;
    }
    item.dataset.waits = "1";
    readHere(file, item, band);
  }
  if (files.length) {
    waits(band);
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

keypad(element("keypad"), {
  bands: () => links().map((link) => link.dataset.band),
  chosen: (band) => { choose(band); shoot.scrollIntoView({ block: "center" }); },
});
element("scan").hidden = false;
element("label").addEventListener("change", async () => {
  const says = element("label-says"), file = element("label").files[0];
  if (!file) return;
  const form = new FormData();
  form.append("file", file);
  try {
    const response = await fetch(`${ROOT}/api/v1/labels`, { method: "POST", body: form });
    const answer = await response.json();
    says.textContent = answer.error ?? "";
    if (answer.band) choose(answer.band);
  } catch {
    says.textContent = queue.dataset.waitingOne;
  }
  element("label").value = "";
});

element("send").hidden = true; // photos go as soon as they are taken
showNoted(linkOf(element("bird").value));
addEventListener("online", go);
setInterval(async () => { if ((await waiting()).length) go(); }, 4000);
for (const item of await waiting()) if (!item.seen) waits(item.band);
if ((await waiting()).length) go();
// A page that was kept for another bird of this walk.
const asked = new URLSearchParams(location.search).get("band");
if (asked && asked !== element("bird").value) choose(asked);
viewfinder({
  knows: (text) => Boolean(linkOf(text)),
  shot: (file) => takeAll([file]),
  above: () => wantsAbove.has(element("bird").value),
  chosen: (band) => { if (band !== element("bird").value) choose(band); },
});
