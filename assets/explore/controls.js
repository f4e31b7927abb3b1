// The form: reads it as a query, pairs sliders with numbers, shows what the server refused.

const form = document.getElementById("controls");
const named = [...form.querySelectorAll("[name]")];

export function query() {
  return new URLSearchParams(named.map((field) => [field.name, field.value.trim()])).toString();
}

export function fill(values) {
  for (const field of named) {
    if (!(field.name in values)) continue;
    field.value = values[field.name];
    toSlider(field);
  }
}

export function field(name) {
  return document.getElementById(name);
}

// Pipelines that can't look for the target are greyed out; one that is chosen gives way to the
// person's own choice of a target, which is said, and never to an address.
export function fit(able, givesWay = true) {
  const can = new Set(able[field("target").value] ?? []);
  const pipeline = field("pipeline");
  for (const option of pipeline.options) option.disabled = !can.has(option.value);
  for (const option of field("compare").options) {
    const [kind, name] = option.value.split(/:(.*)/);
    if (kind === "pipeline") option.disabled = !can.has(name);
  }
  field("soiling").disabled = field("bay").value !== "built";
  if (can.has(pipeline.value) || can.size === 0 || !givesWay) return "";
  const before = pipeline.value;
  const solver = pipeline.value.split("/")[1];
  const like = [...can].find((name) => name.split("/")[1] === solver);
  pipeline.value = like ?? [...can][0];
  return `${before} doesn't look for this target: now ${pipeline.value} does.`;
}

// What stands at a tower's own value goes to the other tower's own.
export function follow(here, there) {
  const own = Object.keys(here).filter((name) => Number(field(name).value) === Number(here[name]));
  fill(Object.fromEntries(own.map((name) => [name, there[name]])));
}

// What an address sets must not stay folded away.
export function unfold(defaults) {
  for (const one of named) {
    if (one.value !== defaults[one.name]) one.closest("details")?.setAttribute("open", "");
  }
}

export function watch(changed) {
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("input", (event) => {
    const target = event.target;
    if (target.type === "range") field(target.id.replace(/-slider$/, "")).value = target.value;
    else toSlider(target);
    changed(target.id);
  });
  field("seed-next").addEventListener("click", () => {
    const seed = Number(field("seed").value);
    field("seed").value = Number.isSafeInteger(seed) ? Math.max(0, seed) + 1 : 1;
    changed("seed");
  });
}

export function refuse(problems) {
  accept();
  const rest = [];
  for (const { control, message } of problems) {
    const place = control && document.getElementById(`${control}-problem`);
    if (!place) {
      rest.push(message);
      continue;
    }
    place.textContent = message;
    field(control).setAttribute("aria-invalid", "true");
    field(control).closest("details")?.setAttribute("open", "");
  }
  document.getElementById("general-problem").textContent = rest.join(" ");
}

export function accept() {
  for (const place of document.querySelectorAll(".controls .problem, #general-problem")) {
    place.textContent = "";
  }
  for (const one of named) one.removeAttribute("aria-invalid");
}

function toSlider(number) {
  const slider = document.getElementById(`${number.id}-slider`);
  if (slider && number.value.trim() !== "" && Number.isFinite(Number(number.value))) {
    slider.value = number.value;
  }
}
