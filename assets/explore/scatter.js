// The scatter plot: turn and pitch errors of a run, with tolerance and bound.

import { digits, make, path, significant } from "./svg.js";

const LEFT = 62, TOP = 12, SIDE = 384;
const plot = document.getElementById("scatter");

// points: {outcome, turn_deg, pitch_deg}; current: the same of the picture shown, or null
export function drawScatter(points, toleranceDeg, ellipse, current) {
  const posed = points.filter((p) => p.turn_deg !== null && p.pitch_deg !== null && p.turn_deg !== undefined);
  const usable = posed.filter((p) => p.outcome === "ok");
  const reach = Math.max(reachOf(usable, toleranceDeg), current?.outcome === "ok" ? reachOf([current], 0) : 0);
  const x = (value) => LEFT + (SIDE * (value + reach)) / (2 * reach);
  const y = (value) => TOP + (SIDE * (reach - value)) / (2 * reach);
  const parts = [...ticks(reach, x, y)];
  parts.push(make("rect", { class: "box", x: LEFT, y: TOP, width: SIDE, height: SIDE }));
  parts.push(make("circle", { class: "tolerance", cx: x(0), cy: y(0), r: (SIDE * toleranceDeg) / (2 * reach) }));
  for (const p of posed) parts.push(mark(p, reach, x, y));
  if (ellipse) parts.push(make("path", { class: "bound", d: path(ellipse.map(([a, b]) => [x(a), y(b)])) }));
  if (current && Math.abs(current.turn_deg) <= reach && Math.abs(current.pitch_deg) <= reach) {
    parts.push(make("rect", { class: "current", x: x(current.turn_deg) - 6, y: y(current.pitch_deg) - 6, width: 12, height: 12 }));
  }
  plot.replaceChildren(...parts);
  const half = ellipse ? Math.max(...ellipse.map(([a, b]) => Math.hypot(a, b))) : null;
  const tiny = half !== null && (SIDE * half) / (2 * reach) < 6;
  document.getElementById("scatter-note").textContent = tiny
    ? `The ellipse of the best there can be reaches ${significant(half, 2)} deg: at this scale it is the speck in the middle.`
    : "";
}

export function nameScatter(words) {
  plot.setAttribute("aria-label", words);
}

// Far enough for tolerance and nearly all points; a few wild ones go to the edge.
function reachOf(usable, toleranceDeg) {
  const sizes = usable.map((p) => Math.max(Math.abs(p.turn_deg), Math.abs(p.pitch_deg))).sort((a, b) => a - b);
  const most = sizes.length ? sizes[Math.floor(0.98 * (sizes.length - 1))] : 0;
  return Math.max(1.3 * toleranceDeg, 1.25 * most);
}

function mark(point, reach, x, y) {
  const keep = (value) => Math.min(Math.max(value, -reach), reach);
  const [a, b] = [keep(point.turn_deg), keep(point.pitch_deg)];
  const [u, v] = [x(a), y(b)];
  if (a !== point.turn_deg || b !== point.pitch_deg) {
    return make("path", { class: "beyond", d: `M${u} ${v - 5}L${u + 5} ${v + 5}L${u - 5} ${v + 5}Z` });
  }
  if (point.outcome !== "ok") {
    return make("path", { class: "cross", d: `M${u - 4} ${v - 4}L${u + 4} ${v + 4}M${u + 4} ${v - 4}L${u - 4} ${v + 4}` });
  }
  return make("circle", { class: "dot", cx: u, cy: v, r: 3 });
}

function ticks(reach, x, y) {
  const decade = 10 ** Math.floor(Math.log10(reach));
  const step = [0.2, 0.5, 1, 2, 5].map((s) => s * decade).find((s) => reach / s <= 3.2);
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const parts = [];
  for (let k = -Math.floor(reach / step + 1e-9); k * step <= reach * (1 + 1e-9); k += 1) {
    const value = k * step;
    parts.push(make("line", { class: "grid", x1: x(value), x2: x(value), y1: TOP, y2: TOP + SIDE }));
    parts.push(make("line", { class: "grid", x1: LEFT, x2: LEFT + SIDE, y1: y(value), y2: y(value) }));
    const words = digits(value, decimals);
    parts.push(make("text", { x: x(value), y: TOP + SIDE + 18, "text-anchor": "middle" }, words));
    parts.push(make("text", { x: LEFT - 6, y: y(value) + 4, "text-anchor": "end" }, words));
  }
  const middle = TOP + SIDE / 2;
  parts.push(make("text", { x: LEFT + SIDE / 2, y: TOP + SIDE + 40, "text-anchor": "middle" }, "turn error, deg"));
  parts.push(make("text", { x: 14, y: middle, "text-anchor": "middle", transform: `rotate(-90 14 ${middle})` }, "pitch error, deg"));
  return parts;
}

export function summaryWords(s) {
  const parts = [`${s.n} pictures.`];
  const ends = s.rms_rot_deg_lo === null || s.rms_rot_deg_hi === null ? "too few for an interval" : `95 % interval ${significant(s.rms_rot_deg_lo)} to ${significant(s.rms_rot_deg_hi)}`;
  parts.push(s.rms_rot_deg === null ? "No usable pose." : `Rotation error ${significant(s.rms_rot_deg)} deg RMS over ${s.n_ok} usable (${ends}).`);
  parts.push(`Usable ${significant(100 * s.usable_rate)} % (95 % interval ${significant(100 * s.usable_rate_lo)} to ${significant(100 * s.usable_rate_hi)}).`);
  const gross = [["missed", s.n_missed], ["wrong id", s.n_wrong_id], ["mirrored", s.n_mirrored], ["ambiguous", s.n_ambiguous], ["without a finite pose", s.n_not_finite], ["unexplained", s.n_unexplained]];
  const counted = gross.filter(([, n]) => n > 0).map(([name, n]) => `${n} ${name}`);
  if (counted.length) parts.push(`Not usable: ${counted.join(", ")}.`);
  return parts.join(" ");
}
