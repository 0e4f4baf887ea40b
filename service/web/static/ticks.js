// Tick all birds of the page at once; the list works without this.
const all = document.getElementById("all");
if (all) {
  const boxes = [...document.querySelectorAll("#many input[name=band]")];
  all.hidden = false;
  all.addEventListener("click", () => {
    const every = boxes.every((box) => box.checked);
    for (const box of boxes) box.checked = !every;
  });
}
