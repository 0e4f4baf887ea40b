// Pictures as rows of bytes, cut and resized just as Pillow does it: the reader was trained on such.
// A picture is { width, height, bands, data }: bands is 3 (RGB) or 1 (grey), data Uint8.

const PRECISION = 22; // bits of Pillow's fixed-point weights (src/libImaging/Resample.c)
const HALF = 1 << (PRECISION - 1);

const FILTERS = {
  box: { support: 0.5, weigh: (x) => (x > -0.5 && x <= 0.5 ? 1 : 0) },
  bicubic: { support: 2, weigh: bicubic },
  lanczos: { support: 3, weigh: lanczos },
};

function bicubic(at) {
  const a = -0.5, x = Math.abs(at);
  if (x < 1) return ((a + 2) * x - (a + 3)) * x * x + 1;
  return x < 2 ? (((x - 5) * x + 8) * x - 4) * a : 0;
}

function lanczos(x) {
  const sinc = (v) => (v === 0 ? 1 : Math.sin(v * Math.PI) / (v * Math.PI));
  return x >= -3 && x < 3 ? sinc(x) * sinc(x / 3) : 0;
}

export const picture = (width, height, bands = 3) =>
  ({ width, height, bands, data: new Uint8Array(width * height * bands) });

// Python's round: halves go to the even neighbour.
export function round(value) {
  const below = Math.floor(value), rest = value - below;
  if (rest !== 0.5) return Math.round(value);
  return below % 2 === 0 ? below : below + 1;
}

const clip = (value) => (value < 0 ? 0 : value > 255 ? 255 : value);

// RGBA of a canvas to RGB, what is transparent on white.
export function fromRgba({ width, height, data }) {
  const made = picture(width, height);
  for (let i = 0, o = 0; i < data.length; i += 4, o += 3) {
    const alpha = data[i + 3];
    for (let band = 0; band < 3; band++) {
      const value = data[i + band];
      made.data[o + band] = alpha === 255 ? value : Math.round((value * alpha + 255 * (255 - alpha)) / 255);
    }
  }
  return made;
}

// Where each new pixel takes from, and with what weights, along one side.
function weights(from, to, size, inner, filter) {
  const { support, weigh } = FILTERS[filter];
  const scale = inner / size, stretch = Math.max(scale, 1), reach = support * stretch;
  const most = Math.ceil(reach) * 2 + 1;
  const starts = new Int32Array(size), counts = new Int32Array(size);
  const factors = new Int32Array(size * most);
  for (let place = 0; place < size; place++) {
    const centre = from + (place + 0.5) * scale;
    const first = Math.max(0, Math.trunc(centre - reach + 0.5));
    const last = Math.min(to, Math.trunc(centre + reach + 0.5));
    const parts = [];
    let total = 0;
    for (let x = first; x < last; x++) {
      const part = weigh((x - centre + 0.5) / stretch);
      parts.push(part);
      total += part;
    }
    parts.forEach((part, k) => {
      const share = (total ? part / total : part) * (1 << PRECISION);
      factors[place * most + k] = Math.trunc(share < 0 ? share - 0.5 : share + 0.5);
    });
    starts[place] = first;
    counts[place] = last - first;
  }
  return { starts, counts, factors, most };
}

// A picture in another size; `inner` is the part of it that counts, from the left and upper edge.
export function resize(source, width, height, filter, inner = [source.width, source.height]) {
  let now = source;
  const { bands } = source;
  if (now.width !== width || inner[0] !== width) {
    const { starts, counts, factors, most } = weights(0, now.width, width, inner[0], filter);
    const next = picture(width, now.height, bands);
    for (let y = 0; y < now.height; y++) {
      const row = y * now.width * bands;
      for (let x = 0, o = y * width * bands; x < width; x++) {
        for (let band = 0; band < bands; band++) {
          let sum = HALF, at = row + starts[x] * bands + band;
          for (let k = x * most, end = k + counts[x]; k < end; k++, at += bands) sum += now.data[at] * factors[k];
          next.data[o++] = clip(sum >> PRECISION);
        }
      }
    }
    now = next;
  }
  if (now.height !== height || inner[1] !== height) {
    const { starts, counts, factors, most } = weights(0, now.height, height, inner[1], filter);
    const next = picture(now.width, height, bands), row = now.width * bands;
    for (let y = 0; y < height; y++) {
      const first = starts[y] * row, count = counts[y];
      for (let x = 0, o = y * row; x < row; x++) {
        let sum = HALF, at = first + x;
        for (let k = y * most, end = k + count; k < end; k++, at += row) sum += now.data[at] * factors[k];
        next.data[o++] = clip(sum >> PRECISION);
      }
    }
    now = next;
  }
  return now;
}

// Means of blocks, the last ones of a row or column with fewer pixels.
export function reduce(source, byX, byY = byX) {
  const { bands } = source;
  const width = Math.ceil(source.width / byX), height = Math.ceil(source.height / byY);
  const made = picture(width, height, bands);
  const sums = new Uint32Array(width * bands);
  for (let y = 0; y < height; y++) {
    sums.fill(0);
    const below = Math.min(source.height, (y + 1) * byY);
    for (let row = y * byY; row < below; row++) {
      let at = row * source.width * bands;
      for (let x = 0; x < width; x++) {
        const count = Math.min(byX, source.width - x * byX);
        for (let k = 0; k < count; k++) {
          for (let band = 0; band < bands; band++) sums[x * bands + band] += source.data[at++];
        }
      }
    }
    for (let x = 0; x < width; x++) {
      const count = Math.min(byX, source.width - x * byX) * (below - y * byY);
      const multiplier = Math.floor(2 ** 24 / count), amend = count >> 1;
      for (let band = 0; band < bands; band++) {
        const sum = sums[x * bands + band];
        made.data[(y * width + x) * bands + band] = Math.floor(((sum + amend) * multiplier) / 2 ** 24);
      }
    }
  }
  return made;
}

// Smaller by filter, after blocks were averaged as far as leaves `gap` times the size.
export function shrink(source, width, height, filter, gap) {
  const byX = Math.floor(source.width / width / gap) || 1;
  const byY = Math.floor(source.height / height / gap) || 1;
  if (byX === 1 && byY === 1) return resize(source, width, height, filter);
  const inner = [source.width / byX, source.height / byY];
  return resize(reduce(source, byX, byY), width, height, filter, inner);
}

export function crop(source, x0, y0, x1, y1) {
  const made = picture(x1 - x0, y1 - y0, source.bands), row = made.width * source.bands;
  for (let y = 0; y < made.height; y++) {
    const at = ((y0 + y) * source.width + x0) * source.bands;
    made.data.set(source.data.subarray(at, at + row), y * row);
  }
  return made;
}

export function fill(made, colour) {
  for (let i = 0; i < made.data.length; i++) made.data[i] = colour[i % made.bands];
  return made;
}

export function paste(onto, source, x, y) {
  const row = source.width * source.bands;
  for (let line = 0; line < source.height; line++) {
    const from = source.data.subarray(line * row, (line + 1) * row);
    onto.data.set(from, ((y + line) * onto.width + x) * onto.bands);
  }
}

// A square round a box, `context` times its longer side, `size` pixels wide; grey outside.
export function squareCrop(source, [x0, y0, x1, y1], context, size) {
  const half = (Math.max(x1 - x0, y1 - y0, 2) * context) / 2;
  const left = Math.floor((x0 + x1) / 2 - half), top = Math.floor((y0 + y1) / 2 - half);
  const side = Math.max(2, round(2 * half));
  const canvas = fill(picture(side, side), [124, 116, 104]);
  const inside = [Math.max(left, 0), Math.max(top, 0),
    Math.min(left + side, source.width), Math.min(top + side, source.height)];
  if (inside[0] < inside[2] && inside[1] < inside[3]) {
    paste(canvas, crop(source, ...inside), inside[0] - left, inside[1] - top);
  }
  return resize(canvas, size, size, side < size ? "bicubic" : "box");
}

export function grey(source) {
  const made = picture(source.width, source.height, 1);
  for (let i = 0, o = 0; o < made.data.length; i += 3, o++) {
    made.data[o] = (source.data[i] * 19595 + source.data[i + 1] * 38470 + source.data[i + 2] * 7471 + 0x8000) >> 16;
  }
  return made;
}

// Share of the contrast that lies in fine detail, as classifier/quality.py measures it.
export function sharpness(source, native) {
  const side = Math.trunc(Math.min(112, Math.max(32, native)));
  const { data } = resize(grey(source), side, side, "box");
  const at = (x, y) => data[Math.min(side - 1, Math.max(0, y)) * side + Math.min(side - 1, Math.max(0, x))];
  let sum = 0, squares = 0, edges = 0;
  for (let y = 0; y < side; y++) {
    for (let x = 0; x < side; x++) {
      const value = at(x, y);
      const bend = at(x - 1, y) + at(x + 1, y) + at(x, y - 1) + at(x, y + 1) - 4 * value;
      sum += value;
      squares += value * value;
      edges += bend * bend;
    }
  }
  const count = side * side, variance = squares / count - (sum / count) ** 2;
  return edges / count / Math.max(variance, 1);
}

// Tenth and ninetieth percentile of luminance over a grid.
export function brightness(source) {
  const step = Math.max(1, Math.floor(Math.min(source.width, source.height) / 200));
  const { data, width, height } = grey(source);
  const values = [];
  for (let y = 0; y < height; y += step) for (let x = 0; x < width; x += step) values.push(data[y * width + x]);
  values.sort((a, b) => a - b);
  return [0.1, 0.9].map((share) => {
    const place = share * (values.length - 1), below = Math.floor(place);
    const next = values[Math.min(below + 1, values.length - 1)];
    return values[below] + (next - values[below]) * (place - below);
  });
}
