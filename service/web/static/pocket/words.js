// Sentences of a reading from their codes, with the words that the server sent for this language.

// Chances that aren't certain are never written so, as service/wording/numbers.py has it.
export function percent(value, space = "") {
  if (value > 0.99) return `>99${space}%`;
  if (value < 0.01) return `<1${space}%`;
  return `${Math.round(value * 100)}${space}%`;
}

// A template such as "too small: {pixels:.0f} pixels" with its values in place.
export function say({ code, values }, words) {
  return words.doubts[code].replace(/\{(\w+)(?::([^}]*))?\}/g, (_, name, form) => {
    const value = values[name];
    if (form === ".0%") return percent(value, words.space);
    if (form === ".0f") return String(Math.round(value));
    if (Array.isArray(value)) return value.map((one) => words.combs[one] ?? one).join(words.or[name] ?? ", ");
    return String(value);
  });
}
