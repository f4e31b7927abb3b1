// The bay from above and from the side, with handles that a mouse, a finger or keys move.

import * as fields from "./bay-fields.js";
import { apart, make, path } from "./svg.js";

const GRIP = 7; // CSS pixels: half a grip's width,
const REACH = 22; // and of where a finger finds it
const plan = document.getElementById("plan");
const side = document.getElementById("side");
const grips = new Map(); // by id, kept while they are dragged
let dragging = null;

const closed = (points) => `${path(points)}Z`;
const shape = (points, name, title) => {
  const made = make("path", { d: closed(points), class: name });
  if (title) made.append(make("title", {}, title));
  return made;
};

export function drawBay(result) {
  const { scene } = result;
  const [x0, x1, half, top] = scene.extent;
  const wide = x1 - x0;
  const dot = wide / Math.max(plan.clientWidth, 200); // metres a CSS pixel
  plan.setAttribute("viewBox", `${x0} ${-half - 16 * dot} ${wide} ${2 * half + 50 * dot}`);
  side.setAttribute("viewBox", `${x0} ${-top} ${wide} ${top + 0.25}`);
  const broken = new Set(result.breaks.map((b) => `${b.tower} ${b.wheel}`));
  draw(plan, "plan", result, dot, [
    ...ground(scene, x0, x1, half),
    ...scene.cones.map((cone, i) => shape(cone.points, `cone cone-${i % 3}`, `What the ${cone.tower} camera covers`)),
    ...scene.plan.map((one) => shape(one.points, one.kind, one.name)),
    ...scene.sights.map(({ tower, wheel, ends: [a, b] }) =>
      make("line", { x1: a[0], y1: -a[1], x2: b[0], y2: -b[1], class: `sight${broken.has(`${tower} ${wheel}`) ? " breaks" : ""}` })),
    ...measures(result, half, dot),
  ]);
  draw(side, "side", result, dot, [
    make("line", { x1: x0, y1: 0, x2: x1, y2: 0, class: "measure" }),
    ...(scene.walls ? scene.walls.slice(0, 2).map((x) => make("line", { x1: x, y1: 0, x2: x, y2: -scene.ceiling, class: "floor" })) : []),
    ...scene.side.map((one) => shape(one.points, one.kind, one.name)),
    ...scene.sights.map(({ tower, wheel, ends: [a, b] }) =>
      make("line", { x1: a[0], y1: -a[2], x2: b[0], y2: -b[2], class: `sight${broken.has(`${tower} ${wheel}`) ? " breaks" : ""}` })),
  ]);
}

function ground({ walls }, x0, x1, half) {
  const floor = walls ? [make("rect", { x: walls[0], y: -walls[3], width: walls[1] - walls[0], height: walls[2] * -1 + walls[3], class: "floor" })] : [];
  return [...floor, make("line", { x1: x0, y1: 0, x2: x1, y2: 0, class: "line" }), make("line", { x1: 0, y1: -half, x2: 0, y2: half, class: "line" })];
}

// Dimensions as an installer tapes them: from the tower line to the near axle, and each tower.
function measures(result, half, dot) {
  const label = (x, y, text, anchor = "middle") => make("text", { x, y, "font-size": 13 * dot, "stroke-width": 4, "text-anchor": anchor }, text);
  const made = [];
  const stands = result.handles.find((h) => h.id.endsWith("standoff") && fields.knob(h.key));
  if (stands) {
    const knob = fields.knob(stands.key);
    const y = half + 10 * dot;
    const x = stands.at[0];
    const [x0, x1] = result.scene.extent;
    made.push(make("rect", { x: x0, y: half, width: x1 - x0, height: 34 * dot, class: "band" })); // a wall may run here
    made.push(make("path", { d: `M${x} ${y - 5 * dot}V${y + 5 * dot}M${x} ${y}H0M0 ${y - 5 * dot}V${y + 5 * dot}`, class: "measure" }));
    made.push(label(x / 2, y + 18 * dot, fields.told(knob)));
  }
  for (const grip of result.handles.filter((h) => h.view === "plan" && h.key.endsWith(".offset"))) {
    const knob = fields.knob(grip.key);
    const beyond = grip.at[1] < 0 ? -0.2 - 7 * dot : 0.2 + 17 * dot;
    const tower = grip.what.split(" tower")[0];
    const words = `${tower} ${fields.told(knob).replace("-", "")}`;
    made.push(label(-6 * dot, grip.at[1] + beyond, words, "end")); // before the line: walls are behind
  }
  return made;
}

function draw(svg, view, result, dot, content) {
  const hatch = make("pattern", { id: "hatch", width: 8 * dot, height: 8 * dot, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  hatch.append(make("line", { x1: 0, y1: 0, x2: 0, y2: 8 * dot, class: "hatching" }));
  const defs = make("defs");
  defs.append(hatch);
  const still = make("g", { class: "still" });
  still.append(...(view === "plan" ? [defs] : []), ...content, ...result.scene.collisions[view].map((points) => shape(points, "collision", "collision")), ...badges(result, view, dot));
  const old = svg.querySelector(".still");
  if (old) old.replaceWith(still);
  else svg.append(still);
  handles(svg, view, result, dot);
}

function badges(result, view, dot) {
  const beside = ({ at }) => [at[0], view === "plan" ? -at[1] - 18 * dot * Math.sign(at[1]) : -at[2] - 18 * dot];
  const places = apart(result.breaks.map(beside), 21 * dot);
  return result.breaks.map(({ number }, i) => {
    const made = make("g", { class: "badge", transform: `translate(${places[i]})` });
    made.append(make("circle", { r: 10 * dot }), make("text", { y: 5 * dot, "font-size": 14 * dot }, number));
    return made;
  });
}

function handles(svg, view, result, dot) {
  const wanted = result.handles.filter((h) => h.view === view && fields.knob(h.key));
  const ids = new Set(wanted.map((h) => h.id));
  for (const [id, grip] of grips) {
    if (grip.ownerSVGElement === svg && !ids.has(id)) {
      grip.remove();
      grips.delete(id);
    }
  }
  for (const handle of wanted) {
    const knob = fields.knob(handle.key);
    let grip = grips.get(handle.id);
    if (!grip) {
      grip = make("g", { id: handle.id, class: "handle", role: "slider", tabindex: 0, "aria-label": `${handle.what}, ${view === "plan" ? "from above" : "from the side"}` });
      grips.set(handle.id, grip);
      svg.append(grip);
    }
    const words = fields.told(knob);
    grip.setAttribute("aria-valuenow", knob.value.toFixed(3));
    grip.setAttribute("aria-valuetext", words);
    const size = GRIP * dot;
    const body = handle.pivot
      ? make("rect", { x: -size, y: -size, width: 2 * size, height: 2 * size, class: "grip" })
      : make("circle", { r: size, class: "grip" });
    const arm = handle.pivot ? [make("line", { x1: handle.pivot[0] - handle.at[0], y1: handle.pivot[1] - handle.at[1], x2: 0, y2: 0, class: "arm" })] : [];
    grip.replaceChildren(make("title", {}, `${handle.what}: ${words}`), ...arm, make("circle", { r: REACH * dot * (handle.pivot ? 0.8 : 1), class: "reach" }), make("circle", { r: 14 * dot, class: "ring" }), body);
    grip.setAttribute("transform", `translate(${handle.at[0]} ${handle.at[1]})`);
    grip.handle = handle;
  }
}

export function watchHandles(set, shown) {
  for (const svg of [plan, side]) {
    svg.addEventListener("pointerdown", (event) => {
      const grip = event.target.closest(".handle");
      if (!grip) return;
      event.preventDefault();
      grip.focus({ preventScroll: true });
      svg.setPointerCapture(event.pointerId);
      const { handle } = grip;
      dragging = { handle, from: place(svg, event), value: fields.knob(handle.key).value, last: null };
    });
    svg.addEventListener("pointermove", (event) => {
      if (!dragging) return;
      const knob = fields.knob(dragging.handle.key);
      const text = fields.written(knob, fields.snapped(knob, dragging.value + moved(dragging, place(svg, event))));
      if (text !== dragging.last) set(dragging.handle.key, text);
      dragging.last = text;
    });
    for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, () => (dragging = null));
    svg.addEventListener("keydown", (event) => {
      const handle = event.target.closest(".handle")?.handle;
      const way = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] }[event.key];
      if (!handle || !way || !shown()) return;
      event.preventDefault();
      const along = handle.axis ? way[0] * handle.axis[0] + way[1] * handle.axis[1] : 0;
      const steps = Math.sign(along || way[0] - way[1]) * (event.shiftKey ? 10 : 1);
      const knob = fields.knob(handle.key);
      set(handle.key, fields.written(knob, fields.stepped(knob, steps)));
    });
  }
}

function place(svg, event) {
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return [at.x, at.y];
}

// How much a value changes by what a pointer has moved: metres, or degrees about the pivot.
function moved({ handle, from }, to) {
  if (handle.axis) return handle.gain * ((to[0] - from[0]) * handle.axis[0] + (to[1] - from[1]) * handle.axis[1]);
  const angle = ([x, y]) => Math.atan2(y - handle.pivot[1], x - handle.pivot[0]);
  const turned = angle(to) - angle(from);
  return (handle.gain * 180 * Math.atan2(Math.sin(turned), Math.cos(turned))) / Math.PI;
}
