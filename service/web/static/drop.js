// Photos dropped anywhere on the form; the form works without this.
const form = document.getElementById("take");
const input = document.getElementById("files");
const busy = document.getElementById("busy");

for (const name of ["dragenter", "dragover"]) {
  form.addEventListener(name, (event) => { event.preventDefault(); form.classList.add("over"); });
}
for (const name of ["dragleave", "drop"]) {
  form.addEventListener(name, () => form.classList.remove("over"));
}
form.addEventListener("drop", (event) => {
  event.preventDefault();
  if (event.dataTransfer.files.length) {
    input.files = event.dataTransfer.files;
    form.requestSubmit();
  }
});
form.addEventListener("submit", () => {
  busy.textContent = form.querySelector("button").dataset.busy;
});
