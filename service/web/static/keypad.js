// Large keys for bands that are plain numbers: only what leads to a bird of this page can be pressed.
const KEYS = ["1", "2", "3", "4", "5", "6", "7", "8", "9", "", "0", "⌫"];

// `bands()` are those of the page, `chosen(band)` hears of one that was keyed in.
export function keypad(place, { bands, chosen }) {
  const shown = place.querySelector("output"), keys = place.querySelector("div");
  let typed = "";

  function press(key) {
    typed = key === "⌫" ? typed.slice(0, -1) : typed + key;
    const left = bands().filter((band) => band.startsWith(typed));
    if (typed && left.length === 1) {
      typed = "";
      chosen(left[0]);
    }
    draw();
  }

  function draw() {
    const numbers = bands().filter((band) => /^\d+$/.test(band));
    place.hidden = !numbers.length;
    shown.textContent = typed;
    const whole = numbers.includes(typed);
    keys.replaceChildren(...KEYS.map((key) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = key || "✓";
      if (!key) {
        button.disabled = !whole;
        button.setAttribute("aria-label", place.dataset.take);
        button.addEventListener("click", () => { const band = typed; typed = ""; chosen(band); draw(); });
        return button;
      }
      if (key === "⌫") button.setAttribute("aria-label", place.dataset.back);
      button.disabled = key === "⌫" ? !typed : !numbers.some((band) => band.startsWith(typed + key));
      button.addEventListener("click", () => press(key));
      return button;
    }));
  }

  draw();
}
