// The predicted map: what the best pipeline could do over range and turn, all else as it is.

const canvas = document.getElementById("map");
const caption = document.getElementById("map-caption");
const EDGE = { left: 46, right: 18, top: 8, bottom: 38 };
// The view itself and what the map doesn't depend on.
const FREE = ["range_m", "turn_deg", "seed", "roll_spread_deg", "compare"];
const HOLDS = [0, 114, 178]; // as elsewhere in the bench: blue and vermilion, told apart by all
const FAILS = [213, 94, 0];
let shown = null; // {key, map} that is drawn
let asking = null;
let view = null;
let surveyed = false; // whether predictions are of a pipeline as a finished map has it

function keyOf(query) {
  const fields = new URLSearchParams(query);
  const turned = Number(fields.get("turn_deg")) < 0;
  for (const name of FREE) fields.delete(name);
  if (!surveyed) fields.delete("pipeline");
  return `${fields}${turned}`;
}

// While one drags, a question under way is answered first: the contour moves along.
export function follow(query) {
  if (!asking) ask(query);
}

export async function ask(query) {
  const key = keyOf(query);
  if ((shown?.key === key && inside(shown.map, query)) || asking?.query === query) return;
  asking?.abort.abort();
  const question = (asking = { query, abort: new AbortController() });
  const since = performance.now();
  let answer, map;
  try {
    answer = await fetch(`/api/map?${query}`, { signal: question.abort.signal });
    map = await answer.json();
  } catch {
    return; // a change came first, or the bench is gone, which the picture says
  } finally {
    if (asking === question) asking = null;
  }
  canvas.parentElement.classList.toggle("old", !answer.ok);
  if (!answer.ok) {
    caption.textContent = map.problems.map((p) => p.message).join(" ");
    return;
  }
  surveyed = map.surveyed;
  shown = { key: keyOf(query), map };
  canvas.dataset.latencyMs = (performance.now() - since).toFixed(1);
  draw();
}

// The address may lie beyond the ranges that the map has.
function inside({ ranges_m: ranges }, query) {
  const range = Number(new URLSearchParams(query).get("range_m"));
  return range >= ranges[0] - 1e-3 && range <= ranges.at(-1) + 1e-3;
}

export function mark(query) {
  const fields = new URLSearchParams(query);
  view = { range: Number(fields.get("range_m")), turn: Number(fields.get("turn_deg")) };
  if (!shown) return;
  canvas.parentElement.classList.toggle("old", shown.key !== keyOf(query));
  draw();
}

export function watch(go) {
  canvas.addEventListener("click", (event) => {
    if (!shown) return;
    const box = canvas.getBoundingClientRect();
    const x = ((event.clientX - box.left) * canvas.width) / box.width;
    const y = ((event.clientY - box.top) * canvas.height) / box.height;
    const { ranges_m: ranges, turns_deg: turns } = shown.map;
    const across = Math.min(Math.max((x - EDGE.left) / wide(), 0), 1);
    const up = Math.min(Math.max((canvas.height - EDGE.bottom - y) / high(), 0), 1);
    const range = ranges[0] * (ranges.at(-1) / ranges[0]) ** across;
    go({ range_m: range.toFixed(2), turn_deg: (turns[0] + up * (turns.at(-1) - turns[0])).toFixed(1) });
  });
  for (const media of ["(prefers-color-scheme: dark)", "print"]) matchMedia(media).addEventListener("change", () => shown && draw());
}

const wide = () => canvas.width - EDGE.left - EDGE.right;
const high = () => canvas.height - EDGE.top - EDGE.bottom;

function draw() {
  const { map } = shown;
  const style = getComputedStyle(document.body);
  const ink = style.getPropertyValue("--ink");
  const context = canvas.getContext("2d");
  context.clearRect(0, 0, canvas.width, canvas.height);
  const image = context.createImageData(wide(), high());
  const values = [];
  for (let j = 0; j < high(); j += 1) {
    for (let i = 0; i < wide(); i += 1) values.push(at(map, i / (wide() - 1), 1 - j / (high() - 1)));
  }
  values.forEach((value, n) => {
    const edge = [n + 1, n + wide()].some((m) => values[m] > 0 !== value > 0 && values[m] !== null && value !== null);
    image.data.set(edge ? [0, 0, 0, 255] : colour(value, n), 4 * n);
  });
  context.putImageData(image, EDGE.left, EDGE.top);
  context.fillStyle = context.strokeStyle = ink;
  context.font = "13px 'DejaVu Sans', system-ui, sans-serif";
  context.strokeRect(EDGE.left, EDGE.top, wide(), high());
  axes(context, map);
  if (view) cross(context, map);
  const held = map.cells.flat().filter((c) => c !== null && c <= 1).length;
  caption.textContent = map.words;
  canvas.setAttribute("aria-label", `Predicted map over range and turn: ${held} of ${map.cells.flat().length} views can hold the tolerance. ${map.words}`);
}

// The logarithm of error over tolerance, linear between cells; null beside one without.
function at({ cells }, across, up) {
  const x = across * (cells[0].length - 1), y = up * (cells.length - 1);
  const i = Math.min(Math.floor(x), cells[0].length - 2), j = Math.min(Math.floor(y), cells.length - 2);
  let sum = 0;
  for (const [dj, di] of [[0, 0], [0, 1], [1, 0], [1, 1]]) {
    const weight = (di ? x - i : 1 - x + i) * (dj ? y - j : 1 - y + j);
    if (weight <= 0) continue;
    const cell = cells[j + dj][i + di];
    if (cell === null) return null;
    sum += weight * Math.log10(cell);
  }
  return sum;
}

function colour(value, n) {
  if (value === null) return [150, 150, 150, (n % 6) < 3 ? 255 : 140];
  const [r, g, b] = value > 0 ? FAILS : HOLDS;
  const strong = Math.round(70 + 185 * Math.min(1, Math.abs(value)));
  return [r, g, b, strong];
}

function axes(context, { ranges_m: ranges, turns_deg: turns }) {
  ranges.forEach((range, i) => {
    if ((ranges.length - 1 - i) % 2) return; // every other: names need room
    const x = EDGE.left + (i / (ranges.length - 1)) * wide();
    context.fillRect(x - 0.5, canvas.height - EDGE.bottom, 1, 4);
    const last = i === ranges.length - 1; // centred it would leave the canvas
    context.textAlign = last ? "right" : "center";
    context.fillText(range.toFixed(1), last ? canvas.width : x, canvas.height - 20);
  });
  context.textAlign = "center";
  context.fillText("range, m", EDGE.left + 0.5 * wide(), canvas.height - 6);
  context.save();
  context.rotate(-Math.PI / 2);
  context.fillText("turn", -EDGE.top - 0.5 * high(), 12);
  context.restore();
  context.textAlign = "right";
  turns.forEach((turn, j) => context.fillText(`${turn}°`, EDGE.left - 4, EDGE.top + 5 + (1 - j / (turns.length - 1)) * (high() - 4)));
}

function cross(context, { ranges_m: ranges, turns_deg: turns }) {
  const across = Math.log(view.range / ranges[0]) / Math.log(ranges.at(-1) / ranges[0]);
  const up = (view.turn - turns[0]) / (turns.at(-1) - turns[0]);
  if (across < 0 || across > 1 || up < 0 || up > 1) return;
  const x = EDGE.left + across * wide(), y = EDGE.top + (1 - up) * high();
  for (const [width, style] of [[5, "#fff"], [2, "#000"]]) {
    context.lineWidth = width;
    context.strokeStyle = style;
    context.beginPath();
    context.arc(x, y, 7, 0, 2 * Math.PI);
    context.stroke();
  }
  context.lineWidth = 1;
}
