// An external pipeline in JavaScript, without any library: finds a target's markers by their
// black squares and answers with corners. It needs no dictionary: the request has the cells.
//
//     sightbench conform --command "node assets/examples/external/square_finder.mjs"

import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { inflateSync } from "node:zlib";

/** Read a PNG of one grey channel, 8 or 16 bits, as numbers from 0 to 1. */
function readGrey(path, fullScale) {
  const file = readFileSync(path);
  const parts = [];
  let [width, height, bytes] = [0, 0, 1];
  for (let at = 8; at < file.length; ) {
    const length = file.readUInt32BE(at);
    const kind = file.toString("latin1", at + 4, at + 8);
    if (kind === "IHDR") {
      width = file.readUInt32BE(at + 8);
      height = file.readUInt32BE(at + 12);
      bytes = file[at + 16] / 8;
    }
    if (kind === "IDAT") parts.push(file.subarray(at + 8, at + 8 + length));
    at += 12 + length;
  }
  const data = inflateSync(Buffer.concat(parts));
  const stride = width * bytes;
  const rows = new Uint8Array(stride * height);
  for (let y = 0; y < height; y++) {
    const filter = data[y * (stride + 1)];
    for (let x = 0; x < stride; x++) {
      const i = y * stride + x;
      const left = x >= bytes ? rows[i - bytes] : 0;
      const up = y > 0 ? rows[i - stride] : 0;
      const corner = x >= bytes && y > 0 ? rows[i - stride - bytes] : 0;
      const guess = [0, left, up, (left + up) >> 1, paeth(left, up, corner)][filter];
      rows[i] = data[y * (stride + 1) + 1 + x] + guess;
    }
  }
  const grey = new Float64Array(width * height);
  for (let i = 0; i < grey.length; i++) {
    const value = bytes === 2 ? 256 * rows[2 * i] + rows[2 * i + 1] : rows[i];
    grey[i] = value / fullScale; // a 12-bit sensor's largest is 4095, not 65535
  }
  return { grey, width, height };
}

function paeth(a, b, c) {
  const [pa, pb, pc] = [Math.abs(b - c), Math.abs(a - c), Math.abs(a + b - 2 * c)];
  return pa <= pb && pa <= pc ? a : pb <= pc ? b : c;
}

/** Otsu's threshold on 256 levels. */
function threshold({ grey }) {
  const counts = new Array(256).fill(0);
  for (const value of grey) counts[Math.min(255, Math.round(255 * value))]++;
  let [sum, below, sumBelow, best, level] = [0, 0, 0, -1, 0];
  counts.forEach((n, i) => (sum += n * i));
  for (let i = 0; i < 255; i++) {
    below += counts[i];
    sumBelow += counts[i] * i;
    const above = grey.length - below;
    if (!below || !above) continue;
    const gap = sumBelow / below - (sum - sumBelow) / above;
    if (below * above * gap * gap > best) [best, level] = [below * above * gap * gap, i];
  }
  return (level + 0.5) / 255;
}

/** Yield the dark blobs that don't touch the border, as lists of [u, v]. */
function* darkBlobs({ grey, width, height }, level) {
  const seen = new Uint8Array(grey.length);
  for (let start = 0; start < grey.length; start++) {
    if (seen[start] || grey[start] >= level) continue;
    const [stack, blob] = [[start], []];
    let inside = true;
    seen[start] = 1;
    while (stack.length) {
      const i = stack.pop();
      const [u, v] = [i % width, Math.floor(i / width)];
      blob.push([u, v]);
      if (u === 0 || v === 0 || u === width - 1 || v === height - 1) {
        inside = false;
        continue;
      }
      for (const j of [i - 1, i + 1, i - width, i + width]) {
        if (!seen[j] && grey[j] < level) {
          seen[j] = 1;
          stack.push(j);
        }
      }
    }
    if (inside && blob.length >= 150) yield blob;
  }
}

const farthest = (points, distance) =>
  points.reduce((best, p) => (distance(p) > distance(best) ? p : best));
const cross = (a, b, p) => (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]);

/** Return a blob's four corners, clockwise as the picture shows them, or null. */
function quad(blob) {
  const middle = [0, 1].map((k) => blob.reduce((s, p) => s + p[k], 0) / blob.length);
  const from = (q) => (p) => (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2;
  const a = farthest(blob, from(middle));
  const c = farthest(blob, from(a));
  const right = farthest(blob, (p) => cross(a, c, p)); // v runs down: clockwise is positive
  const left = farthest(blob, (p) => -cross(a, c, p));
  const area = 0.5 * (cross(a, c, right) - cross(a, c, left));
  return area > 0 && blob.length > 0.4 * area ? [a, left, c, right] : null;
}

function sample({ grey, width, height }, u, v) {
  const [x, y] = [Math.floor(u), Math.floor(v)]; // (0, 0) is the centre of the first pixel
  if (x < 0 || y < 0 || x >= width - 1 || y >= height - 1) return NaN;
  const [fx, fy, i] = [u - x, v - y, y * width + x];
  const top = grey[i] * (1 - fx) + grey[i + 1] * fx;
  return top * (1 - fy) + (grey[i + width] * (1 - fx) + grey[i + width + 1] * fx) * fy;
}

/** Fit a line to where the grey value is half way from black to white along a side. */
function edge(picture, a, b) {
  const length = Math.hypot(b[0] - a[0], b[1] - a[1]);
  const normal = [(b[1] - a[1]) / length, -(b[0] - a[0]) / length]; // outward
  const reach = Math.min(4, 0.06 * length);
  const points = [];
  for (let s = 0.12; s <= 0.88; s += 1 / Math.max(20, length)) {
    const at = (d) => [0, 1].map((k) => a[k] + s * (b[k] - a[k]) + d * normal[k]);
    const [inner, outer] = [sample(picture, ...at(-reach)), sample(picture, ...at(reach))];
    const half = 0.5 * (inner + outer);
    for (let d = -reach; d < reach; d += 0.25) {
      const [low, high] = [sample(picture, ...at(d)), sample(picture, ...at(d + 0.25))];
      if (low <= half && high > half) {
        points.push(at(d + (0.25 * (half - low)) / (high - low)));
        break;
      }
    }
  }
  if (points.length < 5) return null;
  const mean = [0, 1].map((k) => points.reduce((t, p) => t + p[k], 0) / points.length);
  let [xx, xy, yy] = [0, 0, 0];
  for (const p of points) {
    const [x, y] = [p[0] - mean[0], p[1] - mean[1]];
    [xx, xy, yy] = [xx + x * x, xy + x * y, yy + y * y];
  }
  const angle = 0.5 * Math.atan2(2 * xy, xx - yy); // of the line that fits best
  return { mean, along: [Math.cos(angle), Math.sin(angle)] };
}

function meet(p, q) {
  const d = p.along[0] * q.along[1] - p.along[1] * q.along[0];
  const [x, y] = [q.mean[0] - p.mean[0], q.mean[1] - p.mean[1]];
  const s = (x * q.along[1] - y * q.along[0]) / d;
  return [p.mean[0] + s * p.along[0], p.mean[1] + s * p.along[1]];
}

function refine(picture, corners) {
  const edges = corners.map((c, k) => edge(picture, c, corners[(k + 1) % 4]));
  return edges.includes(null) ? null : edges.map((e, k) => meet(edges[(k + 3) % 4], e));
}

/** Return where the unit square's (x, y), y down, lies among its corners' pixels. */
function squareToPicture([p0, p1, p2, p3]) {
  const [dx1, dx2] = [p1[0] - p2[0], p3[0] - p2[0]];
  const [dy1, dy2] = [p1[1] - p2[1], p3[1] - p2[1]];
  const [sx, sy] = [0, 1].map((k) => p0[k] - p1[k] + p2[k] - p3[k]);
  const d = dx1 * dy2 - dx2 * dy1;
  const [g, h] = [(sx * dy2 - dx2 * sy) / d, (dx1 * sy - sx * dy1) / d];
  return (x, y) =>
    [0, 1].map(
      (k) =>
        ((p1[k] - p0[k] + g * p1[k]) * x + (p3[k] - p0[k] + h * p3[k]) * y + p0[k]) /
        (g * x + h * y + 1),
    );
}

/** Return how many cells differ from a marker's. */
function differences(picture, corners, cells) {
  const at = squareToPicture(corners);
  const n = cells.length;
  const values = cells.map((row, j) =>
    [...row].map((_, i) => sample(picture, ...at((i + 0.5) / n, (j + 0.5) / n))),
  );
  const half = 0.5 * (Math.min(...values.flat()) + Math.max(...values.flat()));
  return values.flat().filter((value, i) => value > half !== (cells.join("")[i] === "1")).length;
}

function answer(request) {
  const { target, picture } = request;
  if (!Object.keys(target.cells).length) return { error: `can't look for a ${target.kind}` };
  if (target.outside) return { error: "can't look for squares within a ring of black" };
  const image = readGrey(request.image, picture.full_scale);
  const found = {};
  for (const blob of darkBlobs(image, threshold(image))) {
    const rough = quad(blob);
    const fine = rough && refine(image, rough);
    if (!fine || !fine.flat().every(Number.isFinite)) continue;
    for (const [id, cells] of Object.entries(target.cells)) {
      for (let turn = 0; turn < 4; turn++) {
        const corners = fine.map((_, k) => fine[(k + turn) % 4]);
        // a wrong cell in twenty; ids of a dictionary differ by many more
        if (differences(image, corners, cells) <= 0.05 * cells.length ** 2) {
          corners.forEach((corner, k) => (found[`${id}.${k}`] = corner));
        }
      }
    }
  }
  return Object.keys(found).length ? { corners: found, sigma_px: 0.05 } : { missed: true };
}

for await (const line of createInterface({ input: process.stdin })) {
  const request = JSON.parse(line);
  let content;
  try {
    content = answer(request);
  } catch (error) {
    content = { error: String(error) };
  }
  process.stdout.write(JSON.stringify({ id: request.id, ...content }) + "\n");
}
