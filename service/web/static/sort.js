// Keys and ticks for the sorting table, and word of what was read meanwhile.
const table = document.getElementById("table");
const progress = document.getElementById("progress");

if (table) {
  const boxes = [...table.querySelectorAll("input[name=photo]")];
  const other = document.getElementById("other");
  const all = document.getElementById("all");
  document.getElementById("keys").hidden = false;
  all.hidden = false;
  all.addEventListener("click", () => {
    const every = boxes.every((box) => box.checked);
    for (const box of boxes) box.checked = !every;
  });

  const press = (id, box) => {
    if (!boxes.some((b) => b.checked)) {
      const one = box ?? boxes[0];
      one.checked = true;
    }
    document.getElementById(id).click();
  };
  const move = (step) => {
    const here = boxes.indexOf(document.activeElement);
    const next = boxes[Math.min(Math.max(here + step, 0), boxes.length - 1)];
    next.focus();
    next.closest("li").scrollIntoView({ block: "nearest" });
  };
  document.addEventListener("keydown", (event) => {
    const typing = event.target.matches("input:not([type=checkbox]), select, textarea");
    if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
    const box = boxes.includes(document.activeElement) ? document.activeElement : null;
    if (event.key === "ArrowRight" || event.key === "ArrowLeft") {
      event.preventDefault();
      move(event.key === "ArrowRight" ? 1 : -1);
    } else if (event.key === "x" && box) {
      box.checked = !box.checked;
    } else if (event.key === "Enter" && (box || event.target === document.body)) {
      event.preventDefault();
      press("proposed", box);
    } else if (event.key === "0") {
      other.value = "";
      press("as-other", box);
    } else if (/^[1-9]$/.test(event.key) && Number(event.key) < other.options.length) {
      other.selectedIndex = Number(event.key) - 1;
      press("as-other", box);
    } else if (event.key === "u") {
      document.querySelector(".did button")?.click();
    }
  });
  // After a look the next photo has the keyboard.
  if (document.querySelector(".did")) boxes[0]?.focus();
} else {
  document.addEventListener("keydown", (event) => {
    if (event.key === "u") document.querySelector(".did button")?.click();
  });
}

async function look() {
  let now;
  try {
    now = await (await fetch(progress.dataset.state)).json();
  } catch {
    return;
  }
  for (const [pile, count] of Object.entries(now.open)) {
    document.getElementById(`open-${pile}`).textContent = count;
  }
  const waiting = document.getElementById("waiting");
  if (waiting) waiting.textContent = waiting.textContent.replace(/\d+/, now.waiting);
  if (now.read > Number(progress.dataset.read)) document.getElementById("fresh").hidden = false;
}
setInterval(look, Number(progress.dataset.waiting) ? 1500 : 10000);
