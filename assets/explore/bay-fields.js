// The typed values: one field a value of the bay file, in the unit that is chosen.

import { digits } from "./svg.js";

const groups = document.getElementById("groups");
let keys = "";
let current = new Map();

export const inFeet = () => document.getElementById("unit").value === "ft";

// How far one step goes: a centimetre or half an inch, half a degree.
const STEP = { length: () => (inFeet() ? 0.0127 : 0.01), angle: () => 0.5, lens: () => 0.001 };

export function written(knob, value) {
  if (knob.kind === "angle") return `${+value.toFixed(2)} deg`;
  if (knob.kind === "lens") return `${+(1e3 * value).toFixed(3)} mm`;
  return inFeet() ? `${+(value / 0.0254).toFixed(4)} in` : `${+value.toFixed(4)} m`;
}

// The value one or more steps on, or the next that the file allows.
export function stepped(knob, steps) {
  if (!knob.choices.length) return knob.value + steps * STEP[knob.kind]();
  const sorted = [...knob.choices].sort((a, b) => a - b);
  const on = steps > 0 ? sorted.find((c) => c > knob.value + 1e-9) : sorted.findLast((c) => c < knob.value - 1e-9);
  return on ?? knob.value;
}

function nearest(knob, value) {
  if (!knob.choices.length) return value;
  return knob.choices.reduce((best, c) => (Math.abs(c - value) < Math.abs(best - value) ? c : best));
}

export function snapped(knob, value) {
  if (knob.kind === "angle") return nearest(knob, Math.round(10 * value) / 10);
  const unit = inFeet() ? 0.00635 : 0.005; // as tapes are read
  return Math.round(value / unit) * unit;
}

export const knob = (key) => current.get(key);

export function told(one) {
  if (one.kind !== "length") return one.text;
  return inFeet() ? one.feet : one.text;
}

export function show(knobs) {
  current = new Map(knobs.map((one) => [one.key, one]));
  const now = knobs.map((one) => one.key).join();
  if (now !== keys) build(knobs);
  keys = now;
  accept();
  for (const one of knobs) {
    const field = document.getElementById(one.key);
    field.closest(".row").classList.toggle("changed", one.changed);
    // what is being typed isn't overwritten
    if (document.activeElement === field && field.value !== field.dataset.said) continue;
    field.value = field.dataset.said = told(one);
    field.nextElementSibling.textContent = one.kind === "length" ? (inFeet() ? one.text : one.feet) : one.choices.map((c) => digits(one.kind === "lens" ? 1e3 * c : c, 0)).join(", ");
  }
}

function build(knobs) {
  const sets = new Map();
  for (const one of knobs) {
    if (!sets.has(one.group)) {
      const made = document.createElement("fieldset");
      made.append(Object.assign(document.createElement("legend"), { textContent: one.group }));
      sets.set(one.group, made);
    }
    sets.get(one.group).append(row(one));
  }
  groups.replaceChildren(...sets.values());
}

function row(one) {
  const made = document.createElement("div");
  made.className = "row";
  const label = Object.assign(document.createElement("label"), { htmlFor: one.key, textContent: one.label });
  const field = Object.assign(document.createElement("input"), { id: one.key, type: "text", autocomplete: "off", spellcheck: false });
  field.setAttribute("aria-describedby", `${one.key}-problem`);
  field.setAttribute("aria-label", `${one.group}: ${one.label}`);
  const other = Object.assign(document.createElement("span"), { className: "other" });
  const problem = Object.assign(document.createElement("p"), { className: "problem", id: `${one.key}-problem` });
  made.append(label, field, other, problem);
  return made;
}

export function watch(set) {
  document.getElementById("fields").addEventListener("submit", (event) => event.preventDefault());
  groups.addEventListener("change", ({ target }) => {
    if (target.value === target.dataset.said) return;
    target.dataset.said = target.value;
    const one = current.get(target.id);
    let text = target.value.trim().replace("−", "-");
    // a bare number is meant in the field's own unit
    if (/^[-+]?[\d.]+$/.test(text)) text = written(one, Number(text) * factor(one));
    set(target.id, text);
  });
  groups.addEventListener("keydown", (event) => {
    const one = current.get(event.target.id);
    const way = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (event.key === "Enter") event.target.dispatchEvent(new Event("change", { bubbles: true }));
    if (!one || !way) return;
    event.preventDefault();
    // a step starts from the last good value
    event.target.dataset.said = event.target.value;
    set(one.key, written(one, stepped(one, way * (event.shiftKey ? 10 : 1))));
  });
}

function factor(one) {
  if (one.kind === "angle") return 1;
  if (one.kind === "lens") return 1e-3;
  return inFeet() ? 0.0254 : 1;
}

export function refuse(problems) {
  accept();
  for (const { control, message } of problems) {
    const place = control && document.getElementById(`${control}-problem`);
    if (!place) continue;
    place.textContent = message;
    document.getElementById(control).setAttribute("aria-invalid", "true");
  }
}

function accept() {
  for (const place of groups.querySelectorAll(".problem")) place.textContent = "";
  for (const field of groups.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
}
