// What each tower's camera sees: plates, the room that they keep, and what stands before them.

import { apart, digits, make, path, significant } from "./svg.js";

const towers = document.getElementById("towers");

export function drawPictures(result) {
  towers.replaceChildren(...result.pictures.map((one) => figure(one, result)));
}

function figure(one, result) {
  const { width, height } = one;
  const targets = result.targets.filter((t) => t.tower === one.tower);
  const failing = one.plates.filter((p) => p.number).length;
  const svg = make("svg", { class: "drawing seen", viewBox: `${-0.04 * width} ${-0.04 * height} ${1.08 * width} ${1.08 * height}`, role: "img", "aria-label": `Picture of the ${one.tower} tower: ${targets.length} targets, ${failing ? `${failing} break limits` : "none breaks a limit"}` });
  svg.append(make("rect", { x: 0, y: 0, width, height, class: "frame" }));
  const clip = make("clipPath", { id: `frame-${one.tower}` });
  clip.append(make("rect", { x: 0, y: 0, width, height }));
  const things = make("g", { "clip-path": `url(#frame-${one.tower})` });
  things.append(...one.solids.map((solid) => outline(solid.points, solid.kind)));
  svg.append(clip, things);
  svg.append(make("rect", { x: 0, y: 0, width, height, class: "edge" }));
  for (const inset of one.insets) {
    if (2 * inset >= Math.min(width, height)) continue;
    svg.append(make("rect", { x: inset, y: inset, width: width - 2 * inset, height: height - 2 * inset, class: "inset" }));
  }
  const order = (plate) => (plate.shown ? 1 : 0);
  for (const plate of [...one.plates].sort((a, b) => order(a) - order(b))) {
    svg.append(outline(plate.points, `plate${plate.shown ? " shown" : ""}${plate.number || !plate.holds ? " fails" : ""}`));
  }
  svg.append(...badges(one));
  const made = document.createElement("figure");
  const caption = Object.assign(document.createElement("figcaption"), { textContent: `${one.tower[0].toUpperCase()}${one.tower.slice(1)} tower` });
  made.append(caption, svg, table(targets, one, result.exact));
  return made;
}

const outline = (points, name) => make("path", { d: `${path(points)}Z`, class: name });

// A number at each plate that breaks a limit, inside the picture even where the plate isn't.
function badges({ plates, width, height }) {
  const r = 0.034 * width;
  const marked = plates.filter((p) => p.number);
  const middle = (points, k, most) => Math.min(Math.max(points.reduce((sum, p) => sum + p[k], 0) / points.length, r), most - r);
  const places = apart(marked.map(({ points }) => [middle(points, 0, width), middle(points, 1, height)]), 2.1 * r, height / 2);
  return marked.map(({ number }, i) => {
    const made = make("g", { class: "badge", transform: `translate(${places[i]})` });
    made.append(make("circle", { r }), make("text", { y: 0.35 * r * 1.4, "font-size": 1.4 * r }, number));
    return made;
  });
}

function table(targets, one, exact) {
  const made = document.createElement("table");
  const head = made.createTHead().insertRow();
  for (const name of ["Target", "Range", "Tilt", "Margin", "Visible", "Of tolerance"]) {
    head.append(Object.assign(document.createElement("th"), { textContent: name, scope: "col" }));
  }
  const body = made.createTBody();
  for (const t of targets) {
    const row = body.insertRow();
    const number = one.plates.find((p) => p.shown && p.wheel === t.wheel)?.number;
    row.append(Object.assign(document.createElement("th"), { textContent: number ? `${t.wheel} (${number})` : t.wheel, scope: "row" }));
    const share = t.share === null ? "–" : `${exact ? "" : "≈ "}${significant(t.share, 2)}`;
    const cells = [`${digits(t.range_m, 2)} m`, `${digits(t.tilt_deg, 1)}°`, t.margin === null ? "none" : digits(t.margin, 2), t.visible === null ? "–" : `${digits(100 * t.visible, 0)} %`, share];
    for (const text of cells) row.insertCell().textContent = text;
  }
  const box = Object.assign(document.createElement("div"), { className: "scroll", tabIndex: 0 });
  box.setAttribute("role", "group");
  box.setAttribute("aria-label", `Targets of the ${one.tower} tower`);
  box.append(made);
  return box;
}
