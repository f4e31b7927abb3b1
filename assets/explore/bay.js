// The live bay: what changes is asked of the bench, roughly at once and exactly when it rests.

import * as fields from "./bay-fields.js";
import { drawBay, watchHandles } from "./bay-drawing.js";
import { drawPictures } from "./bay-pictures.js";
import { wireKeeping } from "./bay-keeping.js";

const PATIENCE = 250; // ms after which a question that has become old is given up
const REST = 150; // ms without a change after which uncertainties are asked for exactly
const QUIET = 500; // ms after which a result is said aloud
const start = JSON.parse(document.body.dataset.start);
const element = (id) => document.getElementById(id);
const state = { vehicle: start.vehicle, station: start.station, changes: { ...start.changes } };
let waiting = null; // {since, exact} of the newest change not yet asked for
let asking = null; // {abort, since} of the question under way
let resting = null;
let speaking = null;
let shown = null; // the last good result
let good = { ...state.changes };

export function query() {
  return new URLSearchParams({ vehicle: state.vehicle, station: state.station, ...state.changes }).toString();
}

function say(text) {
  clearTimeout(speaking);
  speaking = setTimeout(() => (element("say").textContent = text), QUIET);
}

function changed(exact = false, since = performance.now()) {
  if (!exact && since) start.problems = []; // what the address has wrong is said until somebody moves something
  waiting = { since, exact };
  clearTimeout(resting);
  if (!asking) ask();
  else if (since - asking.since > PATIENCE) asking.abort.abort();
}

async function ask() {
  while (waiting) {
    const { since, exact } = waiting;
    waiting = null;
    asking = { abort: new AbortController(), since: performance.now() };
    try {
      await look(since, exact, asking.abort.signal);
    } catch (error) {
      if (error.name !== "AbortError") {
        console.error(error);
        refuse([{ control: "", message: "This page has a fault; the browser's console says which." }]);
      }
    }
    asking = null;
  }
}

async function look(since, exact, signal) {
  const asked = query();
  let answer, result;
  try {
    answer = await fetch(`/api/bay?${asked}${exact ? "&exact=1" : ""}`, { signal });
    result = await answer.json();
  } catch (error) {
    if (error.name === "AbortError") throw error;
    return refuse([{ control: "", message: "The bench doesn't answer: is it still running?" }]);
  }
  if (!answer.ok) {
    // what was refused stays in its field; the state goes on from the last good one
    state.changes = { ...good };
    return refuse(result.problems);
  }
  show(result);
  good = { ...state.changes };
  requestAnimationFrame(() => {
    const end = performance.now();
    element("answer").dataset.latencyMs = (end - since).toFixed(1);
    element("answer").dataset.state = result.permalink;
    element("answer").dataset.exact = result.exact;
  });
  if (!result.exact && !waiting) resting = setTimeout(() => changed(true), REST);
}

function show(result) {
  shown = result;
  if (!waiting && Object.keys(result.changes).length < Object.keys(state.changes).length) {
    state.changes = { ...result.changes }; // what the file says anyway needn't be in the address
  }
  element("answer").classList.remove("old");
  const left = start.problems.map((p) => p.message).join(" ");
  element("general-problem").textContent = left && `The address: ${left}`;
  const words = result.exact ? result.verdict.words : result.verdict.words.replace("tolerance, ", "tolerance, ≈ ");
  element("verdict-words").textContent = words;
  element("verdict").dataset.verdict = result.verdict.state;
  fields.show(result.knobs);
  drawBay(result);
  drawPictures(result);
  lists(result);
  history.replaceState(null, "", `/bay?${result.permalink}`);
  element("permalink").href = `/bay?${result.permalink}`;
  say([words, ...result.misfits.map((m) => m.words), ...result.breaks.map((b) => `${b.tower} tower, ${b.wheel} ${b.words}`)].slice(0, 4).join(". "));
}

function refuse(problems) {
  element("answer").classList.add("old");
  fields.refuse(problems);
  const rest = problems.filter((p) => !p.control || !element(p.control)).map((p) => p.message);
  element("general-problem").textContent = rest.join(" ");
  say(`Not taken: ${problems.map((p) => p.message).join(" ")}`);
}

function lists(result) {
  const item = (text, data = {}) => {
    const made = document.createElement("li");
    made.textContent = text;
    Object.assign(made.dataset, data);
    return made;
  };
  const marked = (text, mark) => {
    const made = item("", { mark });
    made.append(Object.assign(document.createElement("span"), { textContent: text }));
    return made;
  };
  element("breaks").replaceChildren(...result.breaks.map((b) => marked(`${b.tower} tower, ${b.wheel}: ${b.words}`, b.number)));
  element("misfits").replaceChildren(...result.misfits.map((m) => marked(m.words[0].toUpperCase() + m.words.slice(1), "!")));
  const limits = result.constraints.map((c) => item(c.words, { holds: c.holds }));
  const broken = result.constraints.filter((c) => !c.holds).length;
  element("tightest").replaceChildren(...limits.slice(0, Math.max(6, Math.min(broken, 12))).map((l) => l.cloneNode(true)));
  element("all").replaceChildren(...limits);
  element("all-summary").textContent = `All ${limits.length} limits, ${broken ? `${broken} broken` : "all kept"}`;
  element("lines").replaceChildren(...result.lines.map((line) => item(line)));
  const others = result.elsewhere.map(({ vehicle, station, count }) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = `${vehicle} at ${station}: ${count}`;
    button.addEventListener("click", () => look_at(vehicle, station));
    return button;
  });
  element("elsewhere").replaceChildren(...(others.length ? ["What breaks with others: ", ...others] : []));
}

function look_at(vehicle, station) {
  Object.assign(state, { vehicle, station });
  element("vehicle").value = vehicle;
  element("station").value = station;
  changed();
}

// A value is set as the bay file would have it; the other tower follows where both are alike.
export function set(key, text) {
  state.changes[key] = text;
  const [, index, name] = key.match(/^tower\.(\d+)\.(\w+)$/) ?? [];
  if (index !== undefined && element("mirror").checked) {
    const turned = ["offset", "yaw", "roll"].includes(name);
    const other = text.startsWith("-") ? text.slice(1) : `-${text.replace("+", "")}`;
    state.changes[`tower.${1 - Number(index)}.${name}`] = turned ? other : text;
  }
  changed();
}

function replace(changes) {
  state.changes = { ...changes };
  changed();
}

for (const name of ["vehicle", "station"]) {
  element(name).value = state[name];
  element(name).addEventListener("change", () => look_at(element("vehicle").value, element("station").value));
}
element("unit").addEventListener("change", () => shown && show(shown));
const alike = start.signs.length === 2 && start.signs[0] !== start.signs[1];
// an address may have moved one tower alone
const twin = (key) => start.changes[key.replace(/^tower\.(\d)/, (_, i) => `tower.${1 - i}`)]?.replace("-", "");
element("mirror").checked = alike && Object.entries(start.changes).every(([key, text]) => !key.startsWith("tower.") || twin(key) === text.replace("-", ""));
element("mirror").disabled = !alike;
new ResizeObserver(() => shown && drawBay(shown)).observe(element("plan"));
fields.watch(set);
watchHandles(set, () => shown);
wireKeeping({ query, replace, changes: () => ({ ...state.changes }), say });
changed(false, 0);
