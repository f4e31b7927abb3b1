// Verdicts and tables of one picture.

import { digits, significant } from "./svg.js";

const NONE = "–";

export function showNumbers(result) {
  verdict("verdict", result.judgement.verdict, "verdict-words", result.judgement.words);
  document.getElementById("glance-words").textContent = result.judgement.words;
  document.getElementById("outcome").textContent =
    `${result.outcome_words}. ${result.detection.n_points} points, target ${result.truth.size_px.toFixed(0)} px wide, tilt ${digits(result.truth.tilt, 1)} deg. ${result.judgement.parts_words}`;
  document.getElementById("case-key").textContent = `${result.key}, seed ${result.seed}`;
  errors(result.errors);
  poses(result);
  if (result.bound_waits) verdict("bound-verdict", "open", "bound-words", "Computing the bound …");
  else showBound({ ...result.judgement, sigma: {} });
}

// The bound may come later than the picture.
export function showBound(bound) {
  verdict("bound-verdict", bound.bound_verdict, "bound-words", bound.bound_words);
  for (const [name, sigma] of Object.entries(bound.sigma)) {
    const row = document.querySelector(`#errors tr[data-name="${name}"]`);
    if (row) row.cells[2].textContent = size(sigma);
  }
}

export function verdict(id, kind, wordsId, words) {
  document.getElementById(id).dataset.verdict = kind;
  document.getElementById(wordsId).textContent = words;
}

function errors(rows) {
  const body = document.querySelector("#errors tbody");
  body.replaceChildren(
    ...rows.map((row) => {
      const texts = [`${row.name}, ${row.unit}`, signed(row.error), size(row.bound), size(row.claimed)];
      const made = tableRow(texts);
      made.dataset.name = row.name;
      return made;
    }),
  );
}

function poses(result) {
  const truth = result.truth;
  const rows = [
    tableRow(["True", NONE, digits(truth.range_true_m, 4), digits(truth.turn, 3), digits(truth.pitch, 3), digits(truth.roll, 3)]),
  ];
  for (const role of ["chosen", "runner-up"]) {
    const found = result.solutions.find((one) => one.role === role);
    const name = role === "chosen" ? "Chosen" : "Runner-up";
    rows.push(
      tableRow(
        found
          ? [name, small(found.rmse_px), digits(found.range_m, 4), digits(found.turn_deg, 3), digits(found.pitch_deg, 3), digits(found.roll_deg, 3)]
          : [`${name}: none`, NONE, NONE, NONE, NONE, NONE],
      ),
    );
  }
  document.querySelector("#poses tbody").replaceChildren(...rows);
}

export function tableRow(texts) {
  const row = document.createElement("tr");
  texts.forEach((text, i) => {
    const cell = document.createElement(i ? "td" : "th");
    if (!i) cell.scope = "row";
    cell.textContent = text;
    row.append(cell);
  });
  return row;
}

function small(value) {
  return value === null || value === undefined ? NONE : significant(value);
}

// Degrees and millimetres to four decimals: finer than anything is measured in a bay.
function size(value) {
  return value === null || value === undefined ? NONE : digits(value, 4);
}

function signed(value) {
  return value > 0 ? `+${size(value)}` : size(value);
}
