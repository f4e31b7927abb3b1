/* Asks for the newest advice again and again, and shows it. */
const MARKS = { inside: "✓", turn: "", mend: "!", nothing: "?", stale: "…", waiting: "…" };
const PAUSE_MS = 250;
const at = (id) => document.getElementById(id);
let shown = -1;
let before = "waiting";
let sound = null; // an audio context once the sound is switched on

function list(id, items, fill) {
  at(id).replaceChildren(...items.map((item) => fill(document.createElement("li"), item)));
}

function put(element, text) {
  element.textContent = text;
  return element;
}

function move(item, one) {
  const arrow = put(document.createElement("span"), one.arrow);
  arrow.className = "arrow";
  arrow.setAttribute("aria-hidden", "true");
  item.append(arrow, put(document.createElement("span"), one.words));
  return item;
}

function plates(found) {
  const polygons = found.map((one) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
    made.setAttribute("points", one.points.map((p) => p.join(",")).join(" "));
    made.classList.add(one.kind);
    return made;
  });
  at("plates").replaceChildren(...polygons);
  const names = found.map((one) => {
    const word = one.kind === "found" ? "" : one.kind === "missing" ? ": missing" : ": wrong target";
    const name = put(document.createElement("span"), one.wheel + (one.id === null ? "" : ` (${one.id})`) + word);
    const xs = one.points.map((p) => p[0]);
    const ys = one.points.map((p) => p[1]);
    name.style.left = `${50 * (Math.min(...xs) + Math.max(...xs))}%`;
    name.style.top = `${100 * Math.max(...ys)}%`;
    return name;
  });
  at("names").replaceChildren(...names);
}

function beep() {
  if (sound === null) return;
  const tone = sound.createOscillator();
  const gain = sound.createGain();
  tone.frequency.value = 880;
  gain.gain.value = 0.2;
  tone.connect(gain).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + 0.4);
}

function show(state) {
  document.body.dataset.state = state.state;
  document.body.dataset.number = state.number;
  put(at("mark"), MARKS[state.state]);
  if (at("headline").textContent !== state.headline) put(at("headline"), state.headline);
  list("moves", state.moves, move);
  list("lines", state.lines, put);
  const trouble = state.state === "nothing" && state.trouble === state.headline ? "" : state.trouble;
  put(at("trouble"), trouble);
  at("trouble").hidden = trouble === "";
  put(at("caption"), state.number === 0 ? "No picture yet." : `${state.picture}, ${Math.round(state.age_s)} s old`);
  if (state.number !== shown && state.number > 0) {
    shown = state.number;
    at("picture").src = `/api/picture?number=${shown}`;
    at("picture").hidden = false;
    plates(state.plates);
  }
  if (state.state === "inside" && before !== "inside") beep();
  before = state.state;
}

async function follow() {
  try {
    const answer = await fetch("/api/state");
    if (answer.ok) show(await answer.json());
  } catch {
    put(at("trouble"), "The bench has ended: start it again.");
    at("trouble").hidden = false;
    document.body.dataset.state = "stale";
    list("moves", [], move);
    put(at("headline"), "No longer followed.");
    put(at("mark"), MARKS.stale);
  }
  setTimeout(follow, PAUSE_MS);
}

at("sound").addEventListener("click", () => {
  const on = sound === null;
  if (on) {
    sound = new AudioContext();
    beep();
  } else {
    sound.close();
    sound = null;
  }
  at("sound").setAttribute("aria-pressed", String(on));
  put(at("sound"), `Sound: ${on ? "on" : "off"}`);
});
follow();
