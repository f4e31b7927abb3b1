// Joins maps, tables and details: whatever way a cell is chosen, all three show it.
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
      href: data.pictures[sample.picture], width, height, style: "image-rendering: pixelated",
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

  const describe = (panel, index) => {
    const cell = data.cells[index];
    const box = panel.querySelector(".details");
    box.replaceChildren();
    box.scrollTop = 0;
    make("h4", `${cell.pipeline}, ${cell.place}: ${cell.mark} ${cell.verdict}`, box);
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

  const panels = new Map();

  const choose = (panel, index) => {
    if (panel.chosen === index) return;
    panel.chosen = index;
    for (const cell of panel.cells) {
      const mine = Number(cell.dataset.cell) === index;
      cell.setAttribute("aria-selected", String(mine));
      cell.tabIndex = mine ? 0 : -1;
    }
    for (const source of panel.sources) {
      const row = source.data.cell.indexOf(index);
      if (source.selected.indices[0] !== row) source.selected.indices = row < 0 ? [] : [row];
    }
    show(panel, index);
  };
  const show = (panel, index) => {
    if (panel.shown === index) return;
    panel.shown = index;
    describe(panel.element, index);
  };

  const STEPS = {
    ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0],
  };
  const keyed = (panel, event) => {
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
      next = cell;
    } else {
      return;
    }
    event.preventDefault();
    if (next?.dataset.cell !== undefined) next.focus();
  };

  for (const element of document.querySelectorAll(".panel")) {
    const cells = [...element.querySelectorAll("td[data-cell]")];
    const panel = { element, cells, sources: [], chosen: -1, shown: -1 };
    panels.set(element.id, panel);
    if (cells.length) cells[0].tabIndex = 0;
    const grid = element.querySelector("table.grid");
    grid.addEventListener("focusin", (event) => {
      const cell = event.target.closest("td[data-cell]");
      if (cell) choose(panel, Number(cell.dataset.cell));
    });
    grid.addEventListener("keydown", (event) => keyed(panel, event));
    for (const cell of cells) {
      const index = Number(cell.dataset.cell);
      cell.addEventListener("pointerenter", (event) => {
        if (event.pointerType === "mouse") show(panel, index);
      });
    }
    grid.addEventListener("pointerleave", () => panel.chosen >= 0 && show(panel, panel.chosen));
  }

  const recolour = (source, which) => {
    const columns = { ...source.data };
    for (const name of ["fill", "ink", "hatch", "words"]) {
      columns[name] = columns[`${name}_${which}`];
    }
    source.data = columns;
  };

  const embed = async ({ panel: id, kind, item }) => {
    const panel = panels.get(id);
    const views = await Bokeh.embed.embed_item(item);
    const source = views.roots[0].model.document.get_model_by_name(`${id}-${kind}`);
    panel.sources.push(source);
    source.selected.properties.indices.change.connect(() => {
      const [row] = source.selected.indices;
      if (row !== undefined) choose(panel, source.data.cell[row]);
    });
    source.inspect.connect(() => {
      const [row] = source.inspected.indices;
      if (row !== undefined) show(panel, source.data.cell[row]);
    });
    const plot = document.getElementById(`${id}-${kind}`).closest(".plot");
    plot.addEventListener("pointerleave", () => panel.chosen >= 0 && show(panel, panel.chosen));
    plot.querySelector("select").addEventListener("change", (event) => {
      const which = event.target.value;
      recolour(source, which);
      for (const key of plot.querySelectorAll(".legend")) key.hidden = key.dataset.of !== which;
    });
  };

  // What is folded away on the screen has its place on paper.
  let unfolded = [];
  window.addEventListener("beforeprint", () => {
    unfolded = [...document.querySelectorAll("details:not([open])")];
    for (const element of unfolded) element.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const element of unfolded) element.open = false;
  });

  Promise.all(data.plots.map(embed)).then(() => {
    document.documentElement.dataset.ready = "true";
  });
})();
