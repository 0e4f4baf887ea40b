// The reader for pages: begun once, in a thread; pictures go in, readings come out.
let thread = null, number = 0;
const waiting = new Map();
let beginning = null;

export const possible = () => typeof Worker === "function" && typeof WebAssembly === "object" &&
  typeof OffscreenCanvas === "function" && typeof createImageBitmap === "function";

function ask(message, moved = []) {
  return new Promise((resolve, reject) => {
    number += 1;
    waiting.set(number, { resolve, reject });
    thread.postMessage({ ...message, id: number }, moved);
  });
}

// Fetch the reader, or find it where the browser keeps it; returns its words. Rejects where it can't
// be had, and is tried anew the next time.
export function begin(root) {
  beginning ??= start(root).catch((error) => {
    thread?.terminate();
    beginning = null;
    throw error;
  });
  return beginning;
}

async function start(root) {
  thread = new Worker(`${root}/static/pocket/thread.js`, { type: "module" });
  thread.onmessage = ({ data }) => {
    const { resolve, reject } = waiting.get(data.id);
    waiting.delete(data.id);
    if (data.error) reject(new Error(data.error));
    else resolve(data.answer);
  };
  thread.onerror = (event) => {
    for (const { reject } of waiting.values()) reject(new Error(event.message ?? "no thread"));
    waiting.clear();
  };
  const threads = globalThis.crossOriginIsolated ? Math.min(4, navigator.hardwareConcurrency || 1) : 1;
  return (await ask({ kind: "begin", root, threads })).words;
}

// The reading of a picture file, or of a frame (ImageBitmap, which is used up).
export const read = (blob) => ask({ kind: "read", blob });
export const glance = (bitmap) => ask({ kind: "read", bitmap, quick: true }, [bitmap]);
