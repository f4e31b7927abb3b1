// Small helpers to draw SVG without styles in attributes, which the page's policy forbids.

const SPACE = "http://www.w3.org/2000/svg";

export function make(name, attributes = {}, text = null) {
  const element = document.createElementNS(SPACE, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== null) element.textContent = text;
  return element;
}

export function path(points) {
  return points.map(([x, y], i) => `${i ? "L" : "M"}${x} ${y}`).join("");
}

// A number with a true minus sign.
export function digits(value, decimals) {
  const text = value.toFixed(decimals);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "−");
}

// A number to some significant digits, written out.
export function significant(value, count = 3) {
  if (value === 0) return "0";
  const decimals = Math.max(0, count - 1 - Math.floor(Math.log10(Math.abs(value))));
  return digits(value, Math.min(decimals, 8));
}

// Places of marks so wide, stacked until none covers another: upwards, or toward a middle.
export function apart(places, wide, middle = -Infinity) {
  const kept = [];
  for (const [x, at] of places) {
    let y = at;
    while (kept.some(([u, v]) => Math.hypot(u - x, v - y) < 0.99 * wide)) y += at > middle ? -wide : wide;
    kept.push([x, y]);
  }
  return kept;
}
