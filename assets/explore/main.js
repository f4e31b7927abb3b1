// The page: what changes is asked of the bench, the newest state first, one question at a time.

import * as controls from "./controls.js";
import * as curve from "./curve.js";
import { Stage, drawFrame, watchLayers } from "./picture.js";
import * as rival from "./rival.js";
import { showBound, showNumbers } from "./numbers.js";
import { wire } from "./run.js";
import * as map from "./map.js";

const PATIENCE = 250; // ms after which a question that has become old is given up
const QUIET = 500; // ms after which a result is said aloud, and a wait is shown
const start = JSON.parse(document.body.dataset.start);
const element = (id) => document.getElementById(id);
const picture = new Stage();
let waiting = null; // {query, since} of the newest change not yet asked for
let asking = null; // {abort, since, query} of the question under way
let shown = null; // the last good result
let speaking = null;
let mapping = null; // when the predicted map is asked for
let swapped = ""; // what was put in place of a pipeline that can't look for the target
let bounding = null; // what gives up the bound under way
let tower = controls.field("tower").value;

function say(text) {
  clearTimeout(speaking);
  speaking = setTimeout(() => (element("say").textContent = text), QUIET);
}

function changed(since = performance.now()) {
  waiting = { query: controls.query(), since };
  clearTimeout(mapping);
  bounding?.abort();
  rival.stop();
  curve.stop();
  if (!asking) ask();
  else if (since - asking.since > PATIENCE) asking.abort.abort();
}

async function ask() {
  while (waiting) {
    const { query, since } = waiting;
    waiting = null;
    asking = { abort: new AbortController(), since: performance.now(), query };
    const slow = setTimeout(() => meanwhile(query, asking), QUIET);
    try {
      await look(query, since, asking.abort.signal);
    } catch (error) {
      if (error.name !== "AbortError") failed(error);
    }
    clearTimeout(slow);
    asking = null;
  }
}

// A coarse picture, where the state's own takes long.
async function meanwhile(query, question) {
  picture.busy();
  try {
    const answer = await fetch(`/api/coarse?${query}`, { signal: question.abort.signal });
    const coarse = answer.ok && (await answer.json());
    if (coarse && asking === question) await picture.coarse(coarse);
  } catch {
    // what was asked for came first
  }
}

async function look(query, since, signal) {
  let answer, result;
  try {
    answer = await fetch(`/api/view?${query}`, { signal });
    result = await answer.json();
  } catch (error) {
    if (error.name === "AbortError") throw error;
    return lost();
  }
  if (!answer.ok) {
    controls.refuse(result.problems);
    picture.old();
    if (!shown) element("verdict-words").textContent = "No picture yet: a value isn't taken, see below";
    const refused = `Not taken: ${result.problems.map((p) => p.message).join(" ")}`;
    element("glance-words").textContent = refused;
    say(refused);
    return;
  }
  await picture.show(result);
  element("glance-picture").src = result.picture.png;
  drawFrame(result);
  shown = result;
  controls.accept();
  element("pipeline-note").textContent = swapped;
  swapped = "";
  showNumbers(result);
  const image = element("picture");
  requestAnimationFrame(() => {
    const end = performance.now();
    image.dataset.latencyMs = (end - since).toFixed(1);
    image.dataset.state = result.permalink;
    performance.measure("change-to-picture", { start: since, end });
  });
  history.replaceState(null, "", `/?${result.permalink}`);
  element("permalink").href = `/?${result.permalink}`;
  say(`${result.judgement.words}. ${result.outcome_words}`);
  ranChanged(controls.query());
  map.mark(query);
  map.follow(query);
  rival.show(result);
  if (result.bound_waits) later(query);
  mapping = setTimeout(async () => {
    const now = controls.query();
    await map.ask(now);
    if (controls.query() === now) curve.ask(views(result));
  }, PATIENCE);
  sayOfAddress();
}

function views({ permalink, rival: other }) {
  return [{ query: permalink, name: other?.own }, ...(other ? [other] : [])];
}

// The address may have asked for what can't be: said once, beside the bay's own state.
function sayOfAddress() {
  const words = start.problems.map((p) => p.message).join(" ");
  start.problems = [];
  if (words) element("general-problem").textContent = `The address: ${words}`;
}

// The bound of a lens that isn't Gaussian comes when nothing newer is wanted.
async function later(query) {
  await new Promise((wake) => setTimeout(wake, PATIENCE));
  if (waiting || asking || controls.query() !== query) return;
  bounding = new AbortController();
  try {
    const answer = await fetch(`/api/bound?${query}`, { signal: bounding.signal });
    if (answer.ok && controls.query() === query) showBound(await answer.json());
  } catch {
    // a change came first: its own answer follows
  }
}

function lost() {
  element("glance-words").textContent = "The bench doesn't answer";
  controls.refuse([{ control: "", message: "The bench doesn't answer: is it still running?" }]);
  picture.old();
}

// A fault of the page itself must not pass for a bench that is gone.
function failed(error) {
  console.error(error);
  controls.refuse([{ control: "", message: "This page has a fault; the browser's console says which." }]);
  picture.old();
}

function current() {
  if (!shown || shown.row.err_rot_y_deg === undefined) return null;
  return { outcome: shown.outcome, turn_deg: shown.row.err_rot_y_deg, pitch_deg: shown.row.err_rot_x_deg };
}

const ranChanged = wire({
  query: controls.query,
  tolerance: () => shown?.judgement.tolerance_deg ?? 0.1,
  current,
  say,
});

controls.watch((id) => {
  if (id === "tower") controls.follow(start.owns[tower], start.owns[controls.field("tower").value]);
  tower = controls.field("tower").value;
  if (id === "target" || id === "bay") swapped = controls.fit(start.able);
  changed();
});
watchLayers();
const go = (view) => {
  controls.fill(view);
  changed();
};
map.watch(go);
curve.watch(go, () => shown && curve.ask(views(shown)));
// where the controls stand below the picture, it comes along once it is out of sight
new IntersectionObserver(([seen]) => element("glance").classList.toggle("away", seen.isIntersecting)).observe(element("stage"));

element("reset").addEventListener("click", () => {
  controls.fill(start.defaults);
  tower = start.defaults.tower;
  controls.fit(start.able);
  changed();
});

element("copy").addEventListener("click", async () => {
  const words = element("keep-words");
  try {
    await navigator.clipboard.writeText(element("permalink").href);
    words.textContent = "The address is copied.";
  } catch {
    words.textContent = `The browser doesn't let pages copy; the address is ${element("permalink").href}`;
  }
  say(words.textContent);
});

element("save").addEventListener("click", async () => {
  const words = element("keep-words");
  const problem = element("keep-problem");
  problem.textContent = "";
  words.textContent = "Drawing the illustration …";
  element("save").disabled = true;
  try {
    const answer = await fetch(`/api/illustration?${controls.query()}`, { method: "POST" });
    if (!answer.ok) throw new Error((await answer.json()).problems.map((p) => p.message).join(" "));
    const link = document.createElement("a");
    link.href = URL.createObjectURL(await answer.blob());
    link.download = "sightbench-explore.zip";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    words.textContent = "Saved as sightbench-explore.zip: the picture, and where its numbers come from.";
  } catch (error) {
    words.textContent = "";
    problem.textContent = error instanceof TypeError ? "The bench doesn't answer: is it still running?" : error.message;
  }
  element("save").disabled = false;
  say(words.textContent || problem.textContent);
});

controls.fit(start.able, false);
controls.unfold(start.defaults);
changed(0);
