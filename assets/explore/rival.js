// What a view is compared with: its picture and its numbers beside the view's own.

import { tableRow } from "./numbers.js";
import { Stage } from "./picture.js";
import { digits, significant } from "./svg.js";

const element = (id) => document.getElementById(id);
const stage = new Stage("rival-");
let asking = null;

const given = (value, words) => (value === null || value === undefined ? "–" : words(value));
const chosen = (result) => result.solutions.find((one) => one.role === "chosen");
const ROWS = [
  ["Outcome", (r) => r.outcome.replaceAll("_", " ")],
  ["Rotation error, deg", (r) => given(r.judgement.error_deg, (e) => significant(e, 2))],
  ["Rotation error over tolerance", (r) => given(r.judgement.error_deg, (e) => significant(e / r.judgement.tolerance_deg, 2))],
  ["Rotation error over its claim (RMS)", (r) => given(r.judgement.claim_deg, (c) => significant(r.judgement.error_deg / c, 2))],
  ["Best that any pipeline can, deg RMS", (r) => given(r.judgement.allowed_deg, (b) => significant(b, 2))],
  ...[["Turn", "turn"], ["Pitch", "pitch"], ["Roll", "roll"]].map(([name, key]) => [
    `${name} found, deg`,
    (r) => given(chosen(r), (pose) => `${digits(pose[`${key}_deg`], 3)} (${signed(r, name)})`),
  ]),
  ["Range found, m", (r) => given(chosen(r), (pose) => digits(pose.range_m, 4))],
  ...["Right", "Up", "Along the line of sight"].map((name) => [`${name}, mm off`, (r) => signed(r, name)]),
];

function signed(result, name) {
  return given(result.errors.find((one) => one.name === name).error, (e) => (e > 0 ? "+" : "") + digits(e, 4));
}

export function stop() {
  asking?.abort();
}

export async function show(result) {
  const { rival } = result;
  element("rival").hidden = !rival;
  element("own-name").textContent = rival ? `${rival.own}:` : "";
  if (!rival) element("side-by-side").hidden = true;
  if (!rival) return;
  element("rival-name").textContent = `${rival.name}:`;
  asking = new AbortController();
  let answer, other;
  try {
    answer = await fetch(`/api/view?${rival.query}`, { signal: asking.signal });
    other = await answer.json();
  } catch {
    return stage.old(); // a change came first, or the bench is gone, which the picture says
  }
  element("side-by-side").hidden = !answer.ok;
  element("rival-problem").textContent = answer.ok ? rival.note : other.problems.map((p) => p.message).join(" ");
  if (!answer.ok) return stage.old();
  const names = document.querySelectorAll("#rivals thead th");
  [names[0].textContent, names[1].textContent] = [rival.own, rival.name];
  document.querySelector("#rivals tbody").replaceChildren(...ROWS.map(([name, of]) => tableRow([name, of(result), of(other)])));
  await stage.show(other);
  element("rival-picture").dataset.state = other.permalink;
}
