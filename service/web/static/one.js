// One bird after the other: a swipe to the right is 'as proposed', to the left 'later'; a touch on
// the photo makes it large. Everything works without this, by buttons and links.
const one = document.getElementById("one");

if (one) {
  const photos = one.querySelector(".one-photos");
  let from = null;
  photos.addEventListener("touchstart", (event) => {
    const touch = event.touches[0];
    from = event.touches.length === 1 && !photos.classList.contains("large") ? [touch.clientX, touch.clientY] : null;
  }, { passive: true });
  photos.addEventListener("touchend", (event) => {
    if (!from) return;
    const [x, y] = from, touch = event.changedTouches[0];
    const across = touch.clientX - x, down = Math.abs(touch.clientY - y);
    from = null;
    if (Math.abs(across) < 80 || down > Math.abs(across) / 2) return;
    if (across > 0) one.querySelector("button.main")?.click();
    else location.href = one.dataset.skip;
  });
  photos.addEventListener("click", (event) => {
    const link = event.target.closest("a.zoom");
    if (!link || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const image = link.querySelector("img"), large = photos.classList.toggle("large");
    if (large) {
      image.dataset.head = image.getAttribute("src");
      image.src = link.href;
    } else if (image.dataset.head) {
      image.src = image.dataset.head;
    }
  });
  document.addEventListener("keydown", (event) => {
    if (event.target.matches("input") || event.ctrlKey || event.metaKey || event.altKey) return;
    const answers = [...one.querySelectorAll("button[name=comb]")];
    if (event.key === "Enter" && event.target === document.body) answers[0]?.click();
    else if (event.key === "ArrowRight") location.href = one.dataset.skip;
    else if (event.key === "0") answers.find((button) => button.value === "unsure")?.click();
    else if (event.key === "u") document.querySelector(".did button")?.click();
    else return;
    event.preventDefault();
  });
}
