// From what the networks say to a reading with its doubts and its pile: as classifier/reading.py and
// classifier/sureness.py, with the thresholds, costs and calibration of the same files.
import { sigmoid } from "./looking.js";

export const COMBS = ["single", "crest_folded_single", "rose", "single_blade_pea", "triple_pea", "walnut"];
const COARSE = { single: [0, 1], rose: [2], pea: [3, 4], walnut: [5] };
const SIZES = ["none", "small", "medium", "large"];
const CONDITIONS = ["young", "frontal", "small", "blurred", "dark", "unlike"];
const FEATURES = ["doubt", "none", "hidden", "crest", ...CONDITIONS, "rose", "pea", "walnut"];
const NAMED_FROM = 0.25, EDGE = 1e-4, SHARE_FLOOR = 0.02;

const doubt = (code, values = {}) => ({ code, values });
const clamp = (value, low, high) => Math.min(high, Math.max(low, value));

export function softmax(values) {
  const top = Math.max(...values), powers = values.map((v) => Math.exp(v - top));
  const sum = powers.reduce((a, b) => a + b, 0);
  return powers.map((v) => v / sum);
}

// Root mean square distance of pooled features from those of the training.
export function unlike(pooled, { middle, axes }) {
  const width = middle.length, count = axes.length / width;
  let squares = 0;
  for (let row = 0; row < count; row++) {
    let along = 0;
    for (let k = 0; k < width; k++) along += (pooled[k] - middle[k]) * axes[row * width + k];
    squares += along * along;
  }
  return Math.sqrt(squares / count);
}

function complaints({ pixels, sharpness, dim, bright }, limits) {
  const found = [];
  if (pixels < limits.least_pixels) found.push(doubt("too_small", { pixels, least: limits.least_pixels }));
  else if (sharpness < limits.least_sharpness) found.push(doubt("blurred"));
  if (bright < limits.least_bright) found.push(doubt("too_dark"));
  if (dim > limits.most_bright) found.push(doubt("overexposed"));
  return found;
}

// Chance that a reading is wrong, and the condition that adds most to it.
function mistakeOf(model, comb, chances, quality, distance) {
  if (!model) return null;
  const odds = (p) => { const c = clamp(p, EDGE, 1 - EDGE); return Math.log(c / (1 - c)); };
  const coarse = Object.entries(COARSE).map(([name, places]) => [name, places.reduce((sum, k) => sum + comb[k], 0)]);
  const best = Object.keys(COARSE).find((name) => COARSE[name].includes(comb.indexOf(Math.max(...comb))));
  const values = [
    odds(1 - Math.max(...coarse.map(([, chance]) => chance))),
    odds(chances.none), odds(1 - chances.readable), chances.crest, chances.young, chances.frontal,
    -Math.log(clamp(quality.pixels, 20, 400) / 100), -Math.log(clamp(quality.sharpness, 0.02, 2)),
    -clamp(quality.bright, 20, 255) / 64, Math.log(clamp(distance, 0.2, 20)),
    Number(best === "rose"), Number(best === "pea"), Number(best === "walnut"),
  ];
  const parts = values.map((v, k) => ((v - model.middle[k]) / model.scale[k]) * model.weights[k]);
  const chance = sigmoid(parts.reduce((a, b) => a + b, 0) + model.bias);
  const adds = (name) => parts[FEATURES.indexOf(name)];
  const most = CONDITIONS.reduce((a, b) => (adds(b) > adds(a) ? b : a));
  return { chance, reason: adds(most) >= NAMED_FROM ? most : "", earned: chance <= model.limit };
}

function wattles(sizes, share, use, rules, beard, readable) {
  const limits = rules.pile, none = (code) => ({ size: null, why_not: doubt(code), share: null, share_90: null });
  if (beard >= 0.5) return none("beard_present");
  if (beard >= limits.beard_absent) return none("beard_possible");
  if (readable < rules.quality.least_readable) return none("head_unreadable");
  const place = sizes.indexOf(Math.max(...sizes));
  if (sizes[place] < limits.wattle_sure) return none("size_unclear");
  if (SIZES[place] === "none") return none("no_wattles_seen");
  const error = use.wattle_error, told = { size: SIZES[place], why_not: null, share, share_90: null };
  if (error === null) return told;
  const reach = error * (share + SHARE_FLOOR);
  return { ...told, share_90: [Math.max(0, share - reach), share + reach] };
}

function crestDoubt(crest, comb, limits) {
  const folded = comb[COMBS.indexOf("crest_folded_single")];
  if (crest < limits.crest_present || folded < limits.folded_mention) return null;
  return folded >= 0.01 ? doubt("crest_may_fold", { chance: folded }) : doubt("crest_hardly_folds");
}

// Doubts and pile of a reading, the same rules in the same order as classifier.reading.judge.
function judge(reading, quality, mistake, rules) {
  const { pile: limits, finder, costs } = rules, { comb, head, best } = reading;
  const doubts = [];
  let again = complaints(quality, rules.quality);
  if (head.source === "whole") again = [doubt("no_head")];
  else if (head.source === "found" && head.score < finder.doubtful_score) doubts.push(doubt("head_uncertain"));
  if (!again.length && reading.readable < rules.quality.least_readable) again.push(doubt("comb_hidden"));
  if (again.length) return { doubts: [...again, ...doubts], pile: "new_photo" };
  if (reading.none_of_these >= limits.most_none) doubts.push(doubt("none_of_six", { chance: reading.none_of_these }));
  const crest = crestDoubt(reading.crest, comb, limits);
  if (crest) doubts.push(crest);
  else if (best === "crest_folded_single") doubts.push(doubt("folded_without_crest"));
  const others = reading.plausible.filter((name) => name !== best);
  const risk = COMBS.reduce((sum, name, k) => sum + comb[k] * (costs[best][name] ?? 0), 0);
  if (reading.confidence < limits.least_confidence || risk > limits.most_risk) {
    const ranked = COMBS.map((name, k) => [comb[k], name]).sort((a, b) => b[0] - a[0] || (a[1] < b[1] ? 1 : -1));
    doubts.push(doubt("costly_alternatives", { combs: others.length ? others : [ranked[1][1]] }));
  }
  if (mistake && !mistake.earned && !doubts.length) {
    doubts.push(doubt(mistake.reason ? `unearned_${mistake.reason}` : "unearned", { chance: mistake.chance }));
  }
  const pile = doubts.length || best === "crest_folded_single" ? "second_look" : "settled";
  if (reading.young >= limits.young_mention) doubts.push(doubt("looks_young"));
  return { doubts, pile };
}

// The reading of one head.
export function readingOf(head, seen, use, rules, novelty) {
  const { logits } = seen;
  const comb = softmax(logits.comb.map((v, k) => v + use.offsets[k]));
  const chances = {};
  for (const name of ["none", "readable", "crest", "beard", "young", "frontal"]) chances[name] = sigmoid(logits[name][0]);
  const top = comb.indexOf(Math.max(...comb)), best = COMBS[top];
  const likely = COMBS.filter((name, k) => comb[k] >= use.set_thresholds[name]);
  const reading = {
    head, comb, best,
    none_of_these: chances.none,
    readable: chances.readable,
    confidence: comb[top] * (1 - chances.none),
    plausible: likely.includes(best) ? likely : [best, ...likely],
    crest: chances.crest,
    beard: chances.beard,
    young: chances.young,
    frontal: chances.frontal,
    wattles: wattles(softmax(logits.wattles), seen.share, use, rules, chances.beard, chances.readable),
  };
  const mistake = mistakeOf(use.mistakes, comb, chances, seen.quality, unlike(seen.pooled, novelty));
  const { doubts, pile } = judge(reading, seen.quality, mistake, rules);
  const can = pile !== "new_photo" && reading.none_of_these < 0.5 &&
    reading.confidence >= rules.pile.least_confidence * 0.7;
  return { ...reading, mistake: mistake && mistake.chance, doubts, pile, proposal: can ? best : null };
}
