// The picture: enlarged by whole dots, with what was found drawn over it.

import { make, path } from "./svg.js";

const TALLEST = 660; // CSS pixels that the enlarged picture may be high
const element = (id) => document.getElementById(id);
const frame = element("frame");
const stages = [];

// A picture with what was found drawn over it; ids of its parts begin alike.
export class Stage {
  constructor(prefix = "") {
    [this.stage, this.picture, this.overlay, this.caption] = ["stage", "picture", "overlay", "picture-caption"].map((id) => element(prefix + id));
    this.last = null;
    stages.push(this);
    new ResizeObserver(() => this.draw()).observe(this.stage.parentElement);
  }

  async show(result) {
    this.good = null;
    this.last = result;
    this.picture.src = result.picture.png;
    await this.picture.decode();
    const { columns, rows } = result.picture.frame;
    [this.picture.width, this.picture.height] = [columns, rows];
    this.stage.classList.remove("old", "busy", "coarse");
    this.draw();
    const seen = result.detection.n_points ? `${result.detection.n_points} points found` : "nothing found";
    this.picture.alt = `Picture of ${result.target}, enlarged: ${seen}`;
  }

  busy() {
    this.stage.classList.add("busy");
  }

  // Something to look at until the picture itself comes: nothing was looked for in it.
  async coarse(picture) {
    const { columns, rows } = picture.frame;
    const image = new Image(columns, rows);
    image.src = picture.png;
    await image.decode();
    if (!this.stage.classList.contains("busy")) return;
    this.good ??= this.last;
    this.last = { picture: { ...picture, truth: null }, solutions: [], detection: { points: [] } };
    this.picture.src = picture.png;
    [this.picture.width, this.picture.height] = [columns, rows];
    this.stage.classList.add("coarse");
    this.picture.alt = "A coarse picture, while the state's own is computed";
    this.draw();
  }

  // A coarse picture gives place to the last good one again: its state had no answer.
  old() {
    if (this.good) {
      this.last = this.good;
      this.picture.src = this.good.picture.png;
      this.picture.alt = "The last good state";
      this.draw();
    }
    this.good = null;
    this.stage.classList.remove("busy", "coarse");
    this.stage.classList.add("old");
  }

  // Enlarged by whole dots of the screen, unless that leaves a third of the room empty.
  size() {
    const { columns, rows } = this.last.picture.frame;
    const room = Math.min(this.stage.parentElement.clientWidth / columns, TALLEST / rows);
    const whole = Math.floor(room * devicePixelRatio) / devicePixelRatio;
    const zoom = room >= 1 && whole > 0.66 * room ? whole : room;
    this.stage.style.width = `${columns * zoom}px`;
    this.stage.style.height = `${rows * zoom}px`;
    this.stage.classList.toggle("reduced", zoom < 1);
    const dots = zoom === 1 ? "one dot" : `${Number(zoom.toFixed(1))} dots`;
    this.caption.textContent = `${columns} × ${rows} px, ${zoom >= 1 ? `${dots} a pixel` : "reduced to fit"}`;
  }

  draw() {
    if (!this.last) return;
    this.size();
    const { last } = this;
    const { columns, rows } = last.picture.frame;
    this.overlay.setAttribute("viewBox", `0 0 ${columns} ${rows}`);
    this.overlay.setAttribute("preserveAspectRatio", "none");
    const dot = columns / (this.stage.clientWidth || columns); // picture pixels of one CSS pixel
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
    this.overlay.replaceChildren(...parts, ...letters);
  }
}

export function watchLayers() {
  for (const box of document.querySelectorAll("[data-layer]")) {
    box.addEventListener("change", () => stages.forEach((one) => one.draw()));
  }
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

export function drawFrame(result) {
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
