// The camera inside the page: shows what the reader sees while the bird is held, and keeps the
// sharpest frame of the last second.
import { glance } from "./pocket/reader.js";
import { advice, told } from "./pocket/telling.js";

const SECOND = 1000, SMALL = 800;
const LONG = 2560; // pixels asked of the camera: a second of larger frames wouldn't fit into a phone
// Shapes beside the words, so that nobody has to tell colours apart.
const SIGNS = { nobody: "◌", closer: "⤢", still: "■", light: "☀", glare: "◐", side: "↔", above: "⇩", good: "✓" };

// Why a camera can't be had, by its word in the page.
export function refusal(error) {
  if (!globalThis.isSecureContext) return "insecure";
  if (["NotAllowedError", "SecurityError"].includes(error?.name)) return "refused";
  return "none";
}

// Open the camera in `view` (the section with video, canvas and lines). `shot(file)` hears of each
// picture; `words` are the reader's, `above()` says whether a view from above is wanted now.
export async function open(view, { words, shot, above, label }) {
  if (!navigator.mediaDevices?.getUserMedia) throw new DOMException("no camera", "NotFoundError");
  const part = (name) => view.querySelector(`[data-part=${name}]`);
  const video = part("video"), canvas = part("frame"), says = part("advice"), reads = part("reads");
  const stream = await navigator.mediaDevices.getUserMedia({
    audio: false,
    video: { facingMode: { ideal: "environment" }, width: { ideal: LONG }, height: { ideal: LONG } },
  });
  video.srcObject = stream;
  await video.play();
  let frames = [], going = true;

  async function look() {
    const at = performance.now();
    const whole = await createImageBitmap(video);
    const scale = Math.min(1, SMALL / Math.max(whole.width, whole.height));
    const small = await createImageBitmap(whole, {
      resizeWidth: Math.max(16, Math.round(whole.width * scale)),
      resizeHeight: Math.max(16, Math.round(whole.height * scale)),
    });
    const reading = await glance(small);
    const seen = { at, whole, reading: grown(reading, 1 / scale), sharp: reading.quality?.sharpness ?? 0 };
    frames = frames.filter((one) => one.at > at - SECOND || (one.whole.close(), false));
    frames.push(seen);
    show(seen.reading);
  }

  function show(reading) {
    canvas.width = video.videoWidth;
    canvas.height = video.videoHeight;
    const pen = canvas.getContext("2d"), code = advice(reading, above());
    write(says, `${SIGNS[code]} ${says.dataset[code]}`);
    const line = reading.head.source === "whole" ? {} : told(reading, words);
    write(reads, line.comb ? `${line.comb} ${line.sure}` : "");
    if (reading.head.source === "whole") return;
    const [x0, y0, x1, y1] = reading.head.box;
    pen.lineWidth = Math.max(4, canvas.width / 160);
    pen.setLineDash(code === "good" ? [] : [pen.lineWidth * 3, pen.lineWidth * 2]);
    for (const [colour, wider] of [["#000", 2], ["#fff", 0]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = Math.max(4, canvas.width / 160) + wider;
      pen.strokeRect(x0, y0, x1 - x0, y1 - y0);
    }
  }

  async function press() {
    const known = frames.filter((one) => one.reading.head.source === "found");
    const best = (known.length ? known : frames).reduce((a, b) => (b.sharp > a.sharp ? b : a), frames[0]);
    const whole = best?.whole ?? await createImageBitmap(video);
    const page = new OffscreenCanvas(whole.width, whole.height);
    page.getContext("2d").drawImage(whole, 0, 0);
    const blob = await page.convertToBlob({ type: "image/jpeg", quality: 0.93 });
    navigator.vibrate?.(40);
    await shot(new File([blob], `${new Date().toISOString().replaceAll(":", "-")}.jpg`, { type: blob.type }));
  }

  async function loop() {
    while (going) {
      const begun = performance.now();
      try {
        if (!document.hidden) {
          await look();
          await label?.(video);
        }
      } catch (error) {
        if (going) console.warn(error);
      }
      await new Promise((done) => setTimeout(done, Math.max(30, 120 - (performance.now() - begun))));
    }
  }

  const shutter = part("shutter");
  shutter.addEventListener("click", press);
  view.hidden = false;
  view.scrollIntoView({ block: "center" });
  loop();
  return () => {
    going = false;
    shutter.removeEventListener("click", press);
    for (const track of stream.getTracks()) track.stop();
    for (const one of frames) one.whole.close();
    frames = [];
    video.srcObject = null;
    view.hidden = true;
  };
}

// Only what changed is written: each time it would be read out else.
function write(place, text) {
  if (place.textContent !== text) place.textContent = text;
}

// A reading of a smaller frame, its box and size as in the whole one.
function grown(reading, times) {
  const box = reading.head.box.map((v) => v * times);
  return { ...reading, head: { ...reading.head, box } };
}
