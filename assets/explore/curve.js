// Error along one control: predicted as a line, a few pictures as marks; a click goes there.

import { digits, make, path, significant } from "./svg.js";

const LEFT = 86, TOP = 14, WIDE = 574, HIGH = 260;
const DRAWS = 3; // pictures at each place, of other seeds
const element = (id) => document.getElementById(id);
const box = element("along"), over = element("over"), plot = element("curve");
let drawn = null; // {key, series: [{query, name, curve, marks}]}
let asking = null;
let now = null; // the value of the view shown

function keyOf(views) {
  return views.map(({ query }) => {
    const fields = new URLSearchParams(query);
    for (const name of [over.value, "roll_spread_deg", "compare"]) fields.delete(name);
    return fields.toString();
  }).join(" ") + over.value;
}

export function stop() {
  asking?.abort();
}

export async function ask(views) {
  if (!box.open) return;
  const key = keyOf(views);
  now = Number(new URLSearchParams(views[0].query).get(over.value));
  const [low, high] = drawn ? [drawn.series[0].curve.at[0], drawn.series[0].curve.at.at(-1)] : [1, 0];
  if (drawn?.key !== key || now < low || now > high) drawn = null;
  if (drawn) draw();
  asking?.abort();
  asking = new AbortController();
  try {
    await fetchAll(views, key, asking.signal);
  } catch (error) {
    if (error.name !== "AbortError" && !(error instanceof TypeError)) throw error;
  }
}

// What an earlier question has left is kept: a view moved along the curve asks for the rest alone.
async function fetchAll(views, key, signal) {
  const get = async (where, query, more) => {
    const fields = new URLSearchParams(query);
    for (const [name, value] of Object.entries(more)) fields.set(name, value);
    const answer = await fetch(`/api/${where}?${fields}`, { signal });
    return [answer.ok, await answer.json()];
  };
  if (!drawn) {
    const series = [];
    for (const view of views) {
      const [ok, curve] = await get("curve", view.query, { over: over.value });
      element("curve-problem").textContent = ok ? "" : curve.problems.map((p) => p.message).join(" ");
      if (!ok) return;
      series.push({ ...view, curve, marks: [] });
    }
    drawn = { key, series };
    draw();
  }
  const { series } = drawn;
  const places = series[0].curve.pictures_at;
  for (let n = series[0].marks.length; n < DRAWS * places.length; n += 1) {
    const at = places[n % places.length], draw_ = Math.floor(n / places.length);
    for (const one of series) {
      if (one.marks.length > n) continue;
      const seed = Number(new URLSearchParams(one.query).get("seed")) + draw_;
      const [ok, point] = await get("point", one.query, { [over.value]: at, seed });
      one.marks.push({ at, error: ok ? point.judgement.error_deg : undefined, outcome: point.outcome });
    }
    element("along-progress").textContent = `${n + 1} of ${DRAWS * places.length} pictures`;
    draw();
  }
  element("along-progress").textContent = "";
  plot.dataset.key = key;
}

export function watch(go, again) {
  box.addEventListener("toggle", again);
  over.addEventListener("change", again);
  plot.addEventListener("click", (event) => {
    if (!drawn) return;
    const edge = plot.getBoundingClientRect();
    const share = (((event.clientX - edge.left) * plot.viewBox.baseVal.width) / edge.width - LEFT) / WIDE;
    const { at, in_ratio: ratio } = drawn.series[0].curve;
    const [low, high] = [at[0], at.at(-1)], inside = Math.min(Math.max(share, 0), 1);
    const value = ratio ? low * (high / low) ** inside : low + inside * (high - low);
    const step = Number(element(`${over.value}-slider`).step);
    go({ [over.value]: String(Number((Math.round(value / step) * step).toFixed(6))) });
  });
}

function draw() {
  const { series } = drawn;
  const { at, in_ratio: ratio, axis, tolerance_deg: tolerance } = series[0].curve;
  const scale = ratio ? Math.log : (value) => value;
  const x = (value) => LEFT + (WIDE * (scale(value) - scale(at[0]))) / (scale(at.at(-1)) - scale(at[0]));
  const errors = series.flatMap(({ curve, marks }) => [...curve.errors_deg, ...marks.filter((m) => m.outcome === "ok").map((m) => m.error)]);
  const known = [tolerance, ...errors.filter((e) => e > 0)];
  const [low, high] = [0.7 * Math.min(...known), 1.4 * Math.max(...known)];
  const y = (error) => TOP + HIGH * (1 - Math.log(Math.min(Math.max(error, low), high) / low) / Math.log(high / low));
  const parts = [make("rect", { class: "box", x: LEFT, y: TOP, width: WIDE, height: HIGH })];
  const label = (u, v, anchor, words) => parts.push(make("text", { x: u, y: v, "text-anchor": anchor }, words));
  for (const error of round(low, high)) {
    parts.push(make("line", { class: "grid", x1: LEFT, x2: LEFT + WIDE, y1: y(error), y2: y(error) }));
    label(LEFT - 5, y(error) + 4, "end", significant(error, 1));
  }
  for (const value of ratio ? round(at[0], at.at(-1)) : even(at[0], at.at(-1))) {
    parts.push(make("line", { class: "grid", x1: x(value), x2: x(value), y1: TOP, y2: TOP + HIGH }));
    label(x(value), TOP + HIGH + 18, "middle", digits(value, 6).replace(/\.?0+$/, ""));
  }
  label(LEFT + WIDE / 2, TOP + HIGH + 42, "middle", axis);
  parts.push(make("text", { x: 18, y: TOP + HIGH / 2, "text-anchor": "middle", transform: `rotate(-90 18 ${TOP + HIGH / 2})` }, "rotation error, deg"));
  parts.push(make("line", { class: "tolerance", x1: LEFT, x2: LEFT + WIDE, y1: y(tolerance), y2: y(tolerance) }));
  label(LEFT + WIDE - 4, y(tolerance) - 5, "end", `tolerance ${significant(tolerance, 2)}`);
  [...series.entries()].reverse().forEach(([n, { curve, marks }]) => {
    const line = curve.at.map((value, i) => [x(value), curve.errors_deg[i]]);
    for (const run of unbroken(line)) parts.push(make("path", { class: `series-${n}`, d: path(run.map(([u, error]) => [u, y(error)])) }));
    for (const mark of marks) if (mark.error !== undefined) parts.push(dot(n, x(mark.at), mark, y, high));
  });
  if (now >= at[0] && now <= at.at(-1)) parts.push(make("line", { class: "now", x1: x(now), x2: x(now), y1: TOP, y2: TOP + HIGH }));
  plot.replaceChildren(...parts);
  const names = series.length > 1 ? `Blue, line and circles: ${series[0].name}; orange, dashes and squares: ${series[1].name}. ` : "";
  const words = `${names}${series[0].curve.words}. Marks: single pictures; a cross is one without a usable pose.`;
  element("curve-words").textContent = words;
  plot.setAttribute("aria-label", `Rotation error over ${axis}. ${words}`);
}

function dot(n, u, { error, outcome }, y, high) {
  const v = y(error ?? high);
  if (outcome !== "ok") return make("path", { class: `mark-${n}`, d: `M${u - 4} ${v - 4}L${u + 4} ${v + 4}M${u + 4} ${v - 4}L${u - 4} ${v + 4}` });
  if (n) return make("rect", { class: "mark-1", x: u - 3.5, y: v - 3.5, width: 7, height: 7 });
  return make("circle", { class: "mark-0", cx: u, cy: v, r: 3.8 });
}

function unbroken(line) {
  const runs = [[]];
  for (const point of line) {
    if (point[1] === null) runs.push([]);
    else runs.at(-1).push(point);
  }
  return runs.filter((run) => run.length > 1);
}

// Round numbers between two: of decades, fewer where there are many; evenly.
function round(low, high) {
  const first = Math.floor(Math.log10(low)), last = Math.ceil(Math.log10(high));
  const digits_ = last - first > 4 ? [1] : [1, 2, 5];
  const all = [];
  for (let k = first; k <= last; k += 1) for (const d of digits_) all.push(Number(`${d}e${k}`));
  return all.filter((value) => value >= low && value <= high);
}

function even(low, high) {
  const decade = 10 ** Math.floor(Math.log10(high - low));
  const step = [0.1, 0.2, 0.5, 1, 2, 5].map((s) => s * decade).find((s) => (high - low) / s <= 9);
  const first = Math.ceil(low / step - 1e-9), last = Math.floor(high / step + 1e-9);
  return Array.from({ length: last - first + 1 }, (_, k) => (first + k) * step);
}
