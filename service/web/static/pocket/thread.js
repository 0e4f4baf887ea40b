// The reader in a thread of its own: fetches the weights once, then answers pictures with readings.
import * as ort from "../onnxruntime/ort.wasm.min.mjs";
import { findHead, lookAt, working } from "./looking.js";
import { readingOf } from "./judging.js";
import { fromRgba } from "./pixels.js";

let ready;

// What the server says of the reader, and its weights; each is kept by the browser under its model.
async function begin({ root, threads }) {
  ort.env.wasm.wasmPaths = {
    mjs: `${root}/static/onnxruntime/ort-wasm-simd-threaded.mjs`,
    wasm: `${root}/pocket/onnxruntime.wasm`,
  };
  ort.env.wasm.numThreads = threads;
  const about = await got(`${root}/pocket/reader.json`, "json");
  const [data, finder, reader] = await Promise.all([
    got(`${root}/pocket/weights/${about.model}`, "arrayBuffer"),
    got(`${root}/pocket/graphs/${about.graphs.finder}`, "arrayBuffer"),
    got(`${root}/pocket/graphs/${about.graphs.reader}`, "arrayBuffer"),
  ]);
  const values = (network) => unpacked(about.tensors[network], data);
  const session = (graph, network) => ort.InferenceSession.create(graph, {
    executionProviders: ["wasm"],
    externalData: [{ path: "weights", data: joined(values(network)) }],
  });
  const sessions = { finder: await session(finder, "finder"), reader: await session(reader, "reader") };
  const run = async (name, { data: pixels, shape }) => {
    const given = await sessions[name].run({ images: new ort.Tensor("float32", pixels, shape) });
    return Object.fromEntries(Object.entries(given).map(([key, tensor]) => [key, tensor.data]));
  };
  const axes = new Map(values("novelty").map(({ name, data: numbers }) => [name, numbers]));
  return {
    about,
    networks: { find: (images) => run("finder", images), read: (images) => run("reader", images) },
    novelty: { middle: axes.get("novelty.middle"), axes: axes.get("novelty.axes") },
  };
}

async function got(address, kind) {
  const answer = await fetch(address);
  if (!answer.ok) throw new Error(`${address}: ${answer.status}`);
  return answer[kind]();
}

// The tensors of a network as 32-bit floats, see classifier/pocket_weights.py.
function unpacked(entries, data) {
  const low = new Uint8Array(data), floats = (at, count) => new Float32Array(data, at, count);
  return entries.map(({ name, shape, at, count, scales, high }) => {
    if (scales === undefined) return { name, data: floats(at, count) };
    const values = new Float32Array(count), channel = count / shape[0];
    const scale = floats(scales, shape[0]);
    for (let i = 0, c = 0; c < shape[0]; c++) {
      for (const end = i + channel; i < end; i++) {
        values[i] = ((low[high + i] << 8) + low[at + i] - 32768) * scale[c];
      }
    }
    return { name, data: values };
  });
}

function joined(tensors) {
  const whole = new Float32Array(tensors.reduce((sum, { data }) => sum + data.length, 0));
  let at = 0;
  for (const { data } of tensors) {
    whole.set(data, at);
    at += data.length;
  }
  return new Uint8Array(whole.buffer);
}

// Pixels of a picture file, upright; colours stay as the file has them.
async function decoded(blob) {
  const bitmap = await createImageBitmap(blob, {
    imageOrientation: "from-image", colorSpaceConversion: "none", premultiplyAlpha: "none",
  });
  try {
    return pixelsOf(bitmap);
  } finally {
    bitmap.close();
  }
}

function pixelsOf(bitmap) {
  const canvas = new OffscreenCanvas(bitmap.width, bitmap.height);
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(bitmap, 0, 0);
  return fromRgba(context.getImageData(0, 0, bitmap.width, bitmap.height));
}

async function read({ blob, bitmap, quick }) {
  const { about, networks, novelty } = await ready;
  const full = bitmap ? pixelsOf(bitmap) : await decoded(blob);
  bitmap?.close();
  const photo = working(full, about.side, !bitmap && blob.type === "image/jpeg");
  const head = await findHead(photo, about.use, about.rules, networks, quick);
  if (quick && head.source === "whole") return { head, width: full.width, height: full.height };
  const seen = await lookAt(photo, head, about.use, networks);
  const reading = readingOf(head, seen, about.use, about.rules, novelty);
  return { ...reading, quality: seen.quality, width: full.width, height: full.height, model: about.model };
}

onmessage = async ({ data }) => {
  const { id, kind } = data;
  try {
    if (kind === "begin") {
      ready = begin(data);
      const { about } = await ready;
      postMessage({ id, answer: { model: about.model, words: about.words } });
    } else {
      postMessage({ id, answer: await read(data) });
    }
  } catch (error) {
    postMessage({ id, error: String(error) });
  }
};
