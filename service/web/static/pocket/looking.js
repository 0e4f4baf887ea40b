// From a picture to what the networks say of it: as classifier/reader.py, one photo at a time.
import {
  brightness, crop, fill, paste, picture, reduce, round, sharpness, shrink, squareCrop,
} from "./pixels.js";

const STRIDE = 8;
const CLOSER = 3, SAME_HEAD = 0.3;
const GREY = [115, 115, 115];
export const sigmoid = (x) => 1 / (1 + Math.exp(-x));

// A decoded photo small enough to work with; `scale` is its pixels for each of the full photo.
export function working(full, side, jpeg) {
  const longest = Math.max(full.width, full.height);
  let image = full;
  if (longest > 2 * side) {
    if (jpeg) { // as a JPEG decoder shrinks: by 2, 4 or 8, and never below what is asked for
      const share = side / longest;
      const room = Math.min(Math.floor(full.width / Math.trunc(full.width * share)),
        Math.floor(full.height / Math.trunc(full.height * share)));
      const by = [8, 4, 2, 1].find((n) => n <= room);
      if (by > 1) image = reduce(full, by);
    }
    if (Math.max(image.width, image.height) > 2 * side) {
      const least = side / Math.max(image.width, image.height);
      image = shrink(image, Math.max(1, round(image.width * least)),
        Math.max(1, round(image.height * least)), "lanczos", 2);
    }
  }
  return { image, width: full.width, height: full.height, scale: image.width / full.width };
}

export function iou(a, b) {
  const wide = Math.max(0, Math.min(a[2], b[2]) - Math.max(a[0], b[0]));
  const high = Math.max(0, Math.min(a[3], b[3]) - Math.max(a[1], b[1]));
  const both = wide * high;
  const total = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - both;
  return total > 0 ? both / total : 0;
}

// Pictures of one size as normalised planes, the second a mirror image if asked for.
export function batch(image, { mean, std }, mirrored = false) {
  const { width, height, data } = image, area = width * height;
  const planes = new Float32Array(3 * area * (mirrored ? 2 : 1));
  const table = Float32Array.from({ length: 256 }, (_, v) => Math.fround(Math.fround(v / 255) - mean) / std);
  for (let i = 0, at = 0; i < area; i++) {
    for (let band = 0; band < 3; band++) planes[band * area + i] = table[data[at++]];
  }
  if (mirrored) {
    for (let band = 0; band < 3; band++) {
      for (let y = 0; y < height; y++) {
        const row = band * area + y * width;
        for (let x = 0; x < width; x++) planes[3 * area + row + x] = planes[row + width - 1 - x];
      }
    }
  }
  return { data: planes, shape: [mirrored ? 2 : 1, 3, height, width] };
}

// Score and box of the most prominent head of an image, in its own pixels.
async function peak(image, use, networks) {
  const size = use.finder_size, scale = size / Math.max(image.width, image.height);
  const canvas = fill(picture(size, size), GREY);
  const wide = Math.max(1, round(image.width * scale)), high = Math.max(1, round(image.height * scale));
  paste(canvas, shrink(image, wide, high, "bicubic", 2), 0, 0);
  const { heat, sides } = await networks.find(batch(canvas, use));
  const cells = size / STRIDE;
  let best = 0;
  for (let i = 1; i < heat.length; i++) if (heat[i] > heat[best]) best = i;
  const [left, up, right, down] = [0, 1, 2, 3].map((k) => sides[k * cells * cells + best] * STRIDE);
  const x = ((best % cells) + 0.5) * STRIDE, y = (Math.floor(best / cells) + 0.5) * STRIDE;
  return { score: sigmoid(heat[best]), box: [x - left, y - up, x + right, y + down].map((v) => v / scale) };
}

// A window for a closer look at a found head, none where nothing would be gained.
function around(box, image) {
  const side = Math.max(box[2] - box[0], box[3] - box[1]) * CLOSER;
  if (side >= 0.8 * Math.max(image.width, image.height)) return null;
  const x = (box[0] + box[2]) / 2, y = (box[1] + box[3]) / 2;
  const x0 = Math.max(0, Math.trunc(x - side / 2)), y0 = Math.max(0, Math.trunc(y - side / 2));
  const x1 = Math.min(image.width, Math.trunc(x + side / 2) + 1);
  const y1 = Math.min(image.height, Math.trunc(y + side / 2) + 1);
  return x1 - x0 >= 2 && y1 - y0 >= 2 ? [x0, y0, x1, y1] : null;
}

// The most prominent head, in pixels of the full photo; the whole photo where none is found.
// `quick` takes the first look alone, for a viewfinder.
export async function findHead(photo, use, rules, networks, quick = false) {
  const { image, scale, width, height } = photo, { least_score, grow } = rules.finder;
  const first = await peak(image, use, networks);
  let { box } = first;
  const window = !quick && first.score >= least_score ? around(box, image) : null;
  if (window) {
    const closer = await peak(crop(image, ...window), use, networks);
    const moved = closer.box.map((v, k) => v + window[k % 2]);
    if (iou(box, moved) > SAME_HEAD) box = box.map((v, k) => (v + moved[k]) / 2);
  }
  box = box.map((v) => v / scale);
  const moreX = ((box[2] - box[0]) * (grow - 1)) / 2, moreY = ((box[3] - box[1]) * (grow - 1)) / 2;
  const x0 = Math.max(0, box[0] - moreX), y0 = Math.max(0, box[1] - moreY);
  const x1 = Math.min(width, box[2] + moreX), y1 = Math.min(height, box[3] + moreY);
  if (first.score < least_score || x1 - x0 < 2 || y1 - y0 < 2) {
    return { box: [0, 0, width, height], source: "whole", score: first.score };
  }
  return { box: [x0, y0, x1, y1], source: "found", score: first.score };
}

// What the reader network gives of a head, both ways round averaged, and what is measured there.
export async function lookAt(photo, head, use, networks) {
  const scaled = head.box.map((v) => v * photo.scale);
  const view = squareCrop(photo.image, scaled, use.context, use.size);
  const given = await networks.read(batch(view, use, true));
  const logits = {};
  for (const name of Object.keys(use.temperatures)) {
    const values = given[name], half = values.length / 2;
    logits[name] = Array.from({ length: half }, (_, i) => (values[i] + values[half + i]) / 2 / use.temperatures[name]);
  }
  const [x0, y0, x1, y1] = scaled.map(round);
  const tight = cropPadded(photo.image, x0, y0, Math.max(x1, x0 + 2), Math.max(y1, y0 + 2));
  const native = Math.min(head.box[2] - head.box[0], head.box[3] - head.box[1]);
  const [dim, bright] = brightness(tight);
  return {
    logits,
    share: wattleShare(given.masks, use.context),
    pooled: given.pooled.subarray(0, given.pooled.length / 2),
    quality: { pixels: native, sharpness: sharpness(tight, native), dim, bright },
  };
}

// Pillow's crop: what lies outside the picture is black.
function cropPadded(image, x0, y0, x1, y1) {
  if (x0 >= 0 && y0 >= 0 && x1 <= image.width && y1 <= image.height) return crop(image, x0, y0, x1, y1);
  const made = picture(x1 - x0, y1 - y0);
  const inside = [Math.max(x0, 0), Math.max(y0, 0), Math.min(x1, image.width), Math.min(y1, image.height)];
  if (inside[0] < inside[2] && inside[1] < inside[3]) {
    paste(made, crop(image, ...inside), inside[0] - x0, inside[1] - y0);
  }
  return made;
}

const MASK_WEIGHT = 3;

// Area of the wattles over that of the square round the head, from masks (2, 2, m, m).
function wattleShare(masks, context) {
  const size = Math.sqrt(masks.length / 4), area = size * size;
  let sum = 0;
  for (let y = 0; y < size; y++) {
    for (let x = 0; x < size; x++) {
      const plain = masks[area + y * size + x], mirrored = masks[3 * area + y * size + (size - 1 - x)];
      sum += sigmoid((plain + mirrored) / 2 - Math.log(MASK_WEIGHT));
    }
  }
  return (sum / area) * context ** 2;
}
