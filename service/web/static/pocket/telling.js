// What a reading of this phone says, in one line; and what would make a frame better.
import { percent, say } from "./words.js";

const CREST = ["crest_may_fold", "crest_hardly_folds"];

export const crested = (reading) => reading.doubts?.some(({ code }) => CREST.includes(code)) ?? false;

// { comb, sure, doubts, poor }: `poor` where another photo is needed.
export function told(reading, words) {
  const doubts = reading.doubts.map((one) => say(one, words));
  const comb = reading.proposal ? words.combs[reading.proposal] : "";
  const sure = reading.proposal ? percent(reading.confidence, words.space) : "";
  return { comb, sure, doubts, poor: reading.pile === "new_photo" };
}

// The one thing that a frame lacks most, by its word in the page; "good" if it lacks nothing.
export function advice(reading, wantsAbove) {
  const codes = (reading.doubts ?? []).map(({ code }) => code);
  if (reading.head.source === "whole") return "nobody";
  if (codes.includes("too_small")) return "closer";
  if (codes.includes("blurred") || codes.includes("unearned_blurred")) return "still";
  if (codes.includes("too_dark") || codes.includes("unearned_dark")) return "light";
  if (codes.includes("overexposed")) return "glare";
  if (wantsAbove) return "above";
  if (codes.includes("unearned_small")) return "closer";
  if (codes.includes("comb_hidden") || reading.frontal > 0.5) return "side";
  return "good";
}
