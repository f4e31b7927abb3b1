// The picture: enlarged by whole dots, with what was found drawn over it.

import { make, path } from "./svg.js";

const TALLEST = 660; // CSS pixels that the enlarged picture may be high
const stage = document.getElementById("stage");
const picture = document.getElementById("picture");
const small = document.getElementById("small-picture");
const glance = document.getElementById("glance-picture");
const overlay = document.getElementById("overlay");
const frame = document.getElementById("frame");
let last = null;

export async function show(result) {
  last = result;
  picture.src = result.picture.png;
  small.src = result.picture.png;
  glance.src = result.picture.png;
  await picture.decode();
  const { columns, rows } = result.picture.frame;
  for (const image of [picture, small, glance]) {
    image.width = columns;
    image.height = rows;
  }
  stage.classList.remove("old", "busy");
  size();
  draw();
  const box = small.parentElement;
  box.scrollTo((columns - box.clientWidth) / 2, (rows - box.clientHeight) / 2);
  drawFrame(result);
  const seen = result.detection.n_points ? `${result.detection.n_points} points found` : "nothing found";
  picture.alt = `Picture of ${result.target}, enlarged: ${seen}`;
}

export function busy() {
  stage.classList.add("busy");
}

export function old() {
  stage.classList.remove("busy");
  stage.classList.add("old");
}

export function watchLayers() {
  for (const box of document.querySelectorAll("[data-layer]")) box.addEventListener("change", draw);
  new ResizeObserver(() => {
    size();
    draw();
  }).observe(stage.parentElement);
}

function size() {
  if (!last) return;
  const { columns, rows } = last.picture.frame;
  const room = stage.parentElement.clientWidth;
  const whole = Math.floor(Math.min(room / columns, TALLEST / rows));
  const zoom = whole >= 1 ? whole : Math.min(room / columns, TALLEST / rows);
  stage.style.width = `${columns * zoom}px`;
  stage.style.height = `${rows * zoom}px`;
  stage.classList.toggle("reduced", whole < 1);
  const dots = whole === 1 ? "one dot" : `${whole} dots`;
  const words = whole >= 1 ? `${dots} a pixel` : "reduced to fit";
  document.getElementById("picture-caption").textContent = `${columns} × ${rows} px, ${words}`;
}

function draw() {
  if (!last) return;
  const { columns, rows } = last.picture.frame;
  overlay.setAttribute("viewBox", `0 0 ${columns} ${rows}`);
  overlay.setAttribute("preserveAspectRatio", "none");
  const dot = columns / (stage.clientWidth || columns); // picture pixels of one CSS pixel
  const parts = [];
  const letters = [];
  const shown = (name) => document.querySelector(`[data-layer="${name}"]`).checked;
  const line = (name, points) => {
    for (const kind of ["casing", name]) parts.push(make("path", { class: kind, d: path(points) }));
  };
  if (shown("truth") && last.picture.truth) line("truth", last.picture.truth);
  for (const solution of [...last.solutions].reverse()) {
    if (shown(solution.role) && solution.outline) line(solution.role, solution.outline);
    if (solution.role === "chosen" && shown("axes") && solution.axes) {
      for (const [name, ends] of Object.entries(solution.axes)) {
        line(`axis-${name}`, ends);
        letters.push(letter(name, ends, dot, columns, rows, letters));
      }
    }
  }
  if (shown("points")) {
    const radius = (last.detection.points.length > 40 ? 3.5 : 6) * dot;
    for (const [x, y] of last.detection.points) {
      for (const kind of ["casing", "points"]) {
        parts.push(make("circle", { class: kind, cx: x, cy: y, r: radius }));
      }
    }
  }
  overlay.replaceChildren(...parts, ...letters);
}

function letter(name, [[x0, y0], [x1, y1]], dot, columns, rows, others) {
  const length = Math.hypot(x1 - x0, y1 - y0) || 1;
  const reach = 1 + (12 * dot) / length;
  const keep = (value, most) => Math.min(Math.max(value, 8 * dot), most - 8 * dot);
  const x = keep(x0 + (x1 - x0) * reach, columns);
  let y = keep(y0 + (y1 - y0) * reach, rows) + 5 * dot;
  const close = (other) => Math.hypot(other.getAttribute("x") - x, other.getAttribute("y") - y) < 16 * dot;
  while (others.some(close)) y += 17 * dot; // axes may lie on each other
  const text = make("text", { class: `letter letter-${name}`, x, y, "font-size": 15 * dot }, name);
  return text;
}

function drawFrame(result) {
  const { width, height, u0, v0, columns, rows } = result.picture.frame;
  frame.setAttribute("viewBox", `-20 -20 ${width + 40} ${height + 40}`);
  frame.replaceChildren(
    make("rect", { x: 0, y: 0, width, height }),
    make("rect", { class: "here", x: u0, y: v0, width: columns, height: rows }),
  );
  const words = `Column ${result.truth.u_true_px.toFixed(1)}, row ${result.truth.v_true_px.toFixed(1)} of ${width} × ${height}`;
  frame.setAttribute("aria-label", `Where the picture lies in the camera's frame: ${words}`);
  document.getElementById("frame-caption").textContent =
    words + (result.truth.whole ? "" : "; the pattern is cut off");
}
