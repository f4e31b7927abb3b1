// Joins maps and details: whatever way a cell is chosen, both show it.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const SVG = "http://www.w3.org/2000/svg";

  const make = (tag, words, parent, attributes = {}) => {
    const element = document.createElement(tag);
    if (words) element.textContent = words;
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (parent) parent.append(element);
    return element;
  };
  const draw = (tag, parent, attributes) => {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    parent.append(element);
    return element;
  };

  const line = (stroke, width) => ({ fill: "none", stroke, "stroke-width": width });

  // A picture at whole dots a pixel; marks keep their width on the page whatever its size.
  const picture = (sample, parent) => {
    const { width, height } = sample;
    const room = window.innerWidth < 600 ? 140 : 240;
    const zoom = Math.max(1, Math.round(room / Math.max(width, height)));
    const label = `${sample.title}: what the camera saw, ${width} × ${height} pixels, with `
      + `${sample.found.length} points found`;
    const svg = draw("svg", parent, {
      role: "img", "aria-label": label, viewBox: `0 0 ${width} ${height}`,
      width: width * zoom, height: height * zoom,
    });
    draw("image", svg, {
      href: data.pictures[sample.picture], width, height,
    });
    for (const ring of sample.edge) {
      const points = ring.map((p) => p.join(",")).join(" ");
      draw("polygon", svg, { ...line("#000000", 3 / zoom), points });
      draw("polygon", svg, {
        ...line("#ffffff", 1.2 / zoom), points,
        "stroke-dasharray": `${5 / zoom} ${4 / zoom}`,
      });
    }
    for (const [cx, cy] of sample.found) {
      const at = { cx, cy, r: 5 / zoom };
      draw("circle", svg, { ...line("#000000", 4 / zoom), ...at });
      draw("circle", svg, { ...line("#56b4e9", 2 / zoom), ...at });
    }
    const kept = sample.lossless ? "" : ", compressed a little";
    make("span", `${width} × ${height} px${kept}`, parent, { class: "small" });
  };

  const box = document.querySelector(".details");
  const cells = [...document.querySelectorAll("td[data-cell]")];
  let chosen = -1;
  let shown = -1;

  const show = (index) => {
    if (shown === index) return;
    shown = index;
    const cell = data.cells[index];
    box.replaceChildren();
    box.scrollTop = 0;
    make("button", "×", box, { class: "close", type: "button", "aria-label": "Close" })
      .addEventListener("click", close);
    make("h3", `${cell.pipeline}, ${cell.place}: ${cell.mark} ${cell.verdict}`, box);
    const shots = make("div", "", box, { class: "shots" });
    const list = make("dl", "", box, { class: "facts" });
    cell.facts.forEach((value, i) => {
      const pair = make("div", "", list);
      make("dt", data.labels[i], pair);
      make("dd", value, pair);
    });
    for (const sample of cell.samples) {
      const figure = make("figure", "", shots, { class: "shot" });
      const caption = make("figcaption", "", figure);
      make("strong", sample.title, caption);
      caption.append(`: ${sample.words}`);
      make("br", "", caption);
      make("span", sample.key, caption, { class: "key" });
      if (sample.picture !== undefined) picture(sample, figure);
    }
  };

  // On a narrow window the details are a sheet, which only a choice opens.
  const mark = (index) => {
    chosen = index;
    for (const cell of cells) {
      const mine = Number(cell.dataset.cell) === index;
      cell.setAttribute("aria-selected", String(mine));
    }
    show(index);
  };
  const choose = (cell) => {
    for (const other of cell.closest("table").querySelectorAll("td[data-cell]")) {
      other.tabIndex = other === cell ? 0 : -1;
    }
    box.classList.add("open");
    mark(Number(cell.dataset.cell));
    cell.scrollIntoView({ block: "nearest", inline: "nearest" });
  };
  const close = () => box.classList.remove("open");

  const STEPS = {
    ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0],
  };
  const keyed = (event) => {
    const cell = event.target.closest("td[data-cell]");
    if (!cell) return;
    const row = cell.parentElement;
    const rows = [...row.parentElement.rows];
    const column = cell.cellIndex;
    let next;
    if (event.key in STEPS) {
      const [down, right] = STEPS[event.key];
      next = rows[rows.indexOf(row) + down]?.cells[column + right];
    } else if (event.key === "Home") {
      next = (event.ctrlKey ? rows[0] : row).cells[1];
    } else if (event.key === "End") {
      next = (event.ctrlKey ? rows.at(-1) : row).cells[row.cells.length - 1];
    } else if (event.key === "Enter" || event.key === " ") {
      choose(cell);
    } else {
      return;
    }
    event.preventDefault();
    if (next?.dataset.cell !== undefined) next.focus();
  };

  for (const grid of document.querySelectorAll("table.grid")) {
    const first = grid.querySelector("td[data-cell]");
    if (first) first.tabIndex = 0;
    grid.addEventListener("focusin", (event) => {
      const cell = event.target.closest("td[data-cell]");
      if (cell) choose(cell);
    });
    grid.addEventListener("click", (event) => {
      const cell = event.target.closest("td[data-cell]");
      if (cell) choose(cell);
    });
    grid.addEventListener("keydown", keyed);
    grid.addEventListener("pointerleave", () => show(chosen));
  }
  for (const cell of cells) {
    cell.addEventListener("pointerenter", (event) => {
      if (event.pointerType === "mouse") show(Number(cell.dataset.cell));
    });
  }
  document.addEventListener("keydown", (event) => event.key === "Escape" && close());

  document.getElementById("shown").addEventListener("change", (event) => {
    const which = Number(event.target.value);
    for (const cell of cells) {
      const all = data.shown[Number(cell.dataset.cell)];
      const [paint, words] = all[which];
      cell.classList.remove(...all.map(([name]) => name));
      cell.classList.add(paint);
      cell.querySelector(".error").textContent = words;
    }
    for (const key of document.querySelectorAll(".colours")) {
      key.hidden = key.dataset.of !== event.target.value;
    }
    const { label, unit } = data.keys[which];
    for (const what of document.querySelectorAll(".what")) what.textContent = `${label}, ${unit}`;
  });

  // What is folded away on the screen has its place on paper.
  let unfolded = [];
  window.addEventListener("beforeprint", () => {
    unfolded = [...document.querySelectorAll("details:not([open])")];
    for (const element of unfolded) element.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const element of unfolded) element.open = false;
  });

  if (cells.length) mark(data.start);
  document.documentElement.dataset.ready = "true";
})();
