// A run of many pictures: start, watch, cancel.

import { verdict } from "./numbers.js";
import { drawScatter, nameScatter, summaryWords } from "./scatter.js";

const PAUSE = 150; // ms between looks at a run
const element = (id) => document.getElementById(id);
const WORDS = { holds: "Tolerance holds", fails: "Tolerance doesn't hold", undecided: "Not decided" };
let points = [];
let running = null;
let ran = null;

export function wire({ query, tolerance, current, say, total }) {
  const redraw = () => drawScatter(points, tolerance(), ran?.summary?.bound_ellipse, current());
  const problem = (text) => (element("run-problem").textContent = text);

  element("run").addEventListener("click", async () => {
    const asked = query();
    problem("");
    element("run-verdict").hidden = true;
    element("run-old").hidden = true;
    element("run-summary").textContent = "";
    let report;
    try {
      const answer = await fetch(`/api/runs?${asked}`, { method: "POST" });
      report = await answer.json();
      if (!answer.ok) return problem(report.problems.map((p) => p.message).join(" "));
    } catch {
      return problem("The bench doesn't answer: is it still running?");
    }
    points = [];
    ran = null;
    running = report.id;
    element("cancel").disabled = false;
    await follow(report.id, asked);
  });

  element("cancel").addEventListener("click", () => {
    if (running) fetch(`/api/runs/${running}`, { method: "DELETE" }).catch(() => {});
  });

  async function follow(id, asked) {
    while (running === id) {
      let report;
      try {
        report = await (await fetch(`/api/runs/${id}?after=${points.length}`)).json();
      } catch {
        problem("The bench doesn't answer: is it still running?");
        break;
      }
      if (running !== id) return;
      points.push(...report.points);
      element("progress").value = report.done;
      element("progress-words").textContent = `${report.done} of ${report.total}`;
      if (report.status !== "running") {
        finish(report, asked);
        break;
      }
      redraw();
      await new Promise((wake) => setTimeout(wake, PAUSE));
    }
    if (running === id) running = null;
    element("cancel").disabled = true;
  }

  function finish(report, asked) {
    ran = { ...report, asked };
    redraw();
    if (report.status === "done") {
      const summary = summaryWords(report.summary);
      const words = `${WORDS[report.summary.verdict]}: ${report.summary.words}`;
      element("run-verdict").hidden = false;
      verdict("run-verdict", report.summary.verdict, "run-words", words);
      element("run-summary").textContent = summary;
      nameScatter(`Turn and pitch errors of ${report.done} pictures. ${words}. ${summary}`);
      say(`${words}. ${summary}`);
    } else if (report.status === "cancelled") {
      element("run-summary").textContent = `Cancelled after ${report.done} of ${report.total} pictures.`;
      nameScatter(`Turn and pitch errors of ${report.done} pictures; cancelled`);
      say(`Cancelled after ${report.done} pictures`);
    }
    if (report.failure) problem(report.failure);
  }

  // What the plot shows may be of a view that the controls have left.
  return function changed(now) {
    element("run-old").hidden = !ran || ran.asked === now;
    if (!running) redraw();
  };
}
