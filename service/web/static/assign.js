// Photos to birds by touch: a photo is current, a touched band fills it in, and the next follows.
// Keys: Enter goes to the next photo, = repeats the band before. The form works without this.
const form = document.getElementById("assign");

if (form) {
  const fields = [...form.querySelectorAll("input[name=band]")];
  const offers = document.getElementById("offers");
  let current = fields.find((field) => !field.value) ?? fields[0];
  document.querySelector(".scripted").hidden = false;
  offers.hidden = false;

  const choose = (field, look = true) => {
    for (const one of fields) one.closest("li").removeAttribute("aria-current");
    current = field;
    field.closest("li").setAttribute("aria-current", "true");
    if (look) field.closest("li").scrollIntoView({ block: "nearest", inline: "nearest" });
  };
  const after = (field) => fields[fields.indexOf(field) + 1];
  const onward = () => {
    const next = fields.slice(fields.indexOf(current) + 1).find((field) => !field.value) ?? after(current);
    if (next) choose(next);
  };
  const used = () => {
    const given = new Set(fields.map((field) => field.value));
    for (const button of offers.querySelectorAll("button")) {
      button.classList.toggle("given", given.has(button.dataset.band));
    }
  };
  offers.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-band]");
    if (!button) return;
    current.value = button.dataset.band;
    used();
    onward();
  });
  for (const field of fields) {
    field.addEventListener("focus", () => choose(field, false));
    field.addEventListener("input", used);
    field.addEventListener("keydown", (event) => {
      const before = fields[fields.indexOf(field) - 1];
      if (event.key === "=" && before) {
        event.preventDefault();
        field.value = before.value;
      } else if (event.key !== "Enter") {
        return;
      }
      event.preventDefault();
      used();
      const next = after(field);
      if (next) next.focus();
      else document.getElementById("give").focus();
    });
    // A touch on the picture chooses the photo; the keyboard of a phone stays away.
    field.closest("li").querySelector("label").addEventListener("click", (event) => {
      event.preventDefault();
      choose(field, false);
    });
  }
  choose(current, false);
  used();
}
