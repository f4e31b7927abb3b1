// Finding the best layout, and keeping a state: as address, bay file and pictures.

const LOOK = 400; // ms between two questions how a search stands
const element = (id) => document.getElementById(id);
const LOST = "The bench doesn't answer: is it still running?";

export function wireKeeping({ query, replace, changes, say }) {
  let before = null; // the changes that a search began with
  let running = null; // its id

  function tell(words, problem = "") {
    element("keep-words").textContent = words;
    element("keep-problem").textContent = problem;
    say(problem || words);
  }

  async function asked(address, options) {
    let answer;
    try {
      answer = await fetch(address, options);
    } catch {
      throw new Error(LOST);
    }
    if (answer.ok) return answer;
    const told = await answer.json().catch(() => null);
    throw new Error(told?.problems?.map((p) => p.message).join(" ") ?? "The bench can't do that.");
  }

  function lines(words) {
    element("search-words").replaceChildren(...words.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
  }

  function stopped() {
    running = null;
    element("search").disabled = false;
    element("cancel").disabled = true;
    element("progress").value = 0;
  }

  element("search").addEventListener("click", async () => {
    element("search").disabled = true;
    tell("Looking …");
    lines([]);
    const from = changes();
    const ways = ["lenses", "mounts"].filter((name) => element(name).checked).map((name) => `&${name}=1`);
    try {
      const begun = await (await asked(`/api/bay/searches?${query()}${ways.join("")}`, { method: "POST" })).json();
      running = begun.id;
      element("cancel").disabled = false;
      await follow(begun.id, from);
    } catch (error) {
      stopped();
      tell("", error.message);
    }
  });

  async function follow(id, from) {
    while (running === id) {
      const report = await (await asked(`/api/bay/searches/${id}`)).json();
      if (running !== id) return;
      element("progress").max = report.total;
      element("progress").value = report.done;
      if (report.status === "running") {
        tell(report.done < report.total ? `${report.done} of ${report.total} starts` : "Looking at what hides targets …");
        await new Promise((wake) => setTimeout(wake, LOOK));
        continue;
      }
      stopped();
      if (report.status !== "done") return tell("", report.failure || "A newer search took its place.");
      before = from;
      element("undo").disabled = false;
      lines(report.words);
      tell("Found; the towers stand there now.");
      replace(report.changes);
    }
  }

  element("cancel").addEventListener("click", () => {
    const id = running;
    stopped();
    tell("Cancelled; nothing was moved.");
    fetch(`/api/bay/searches/${id}`, { method: "DELETE" }).catch(() => tell("", LOST));
  });

  element("undo").addEventListener("click", () => {
    element("undo").disabled = true;
    replace(before);
    tell("Back to before the search.");
  });

  element("reset").addEventListener("click", () => {
    replace({});
    tell("Back to the bay file.");
  });

  for (const [id, address, doing] of [["save", "/api/bay/file", "Writing"], ["draw", "/api/bay/pictures", "Drawing"]]) {
    element(id).addEventListener("click", async () => {
      element(id).disabled = true;
      tell(`${doing} …`);
      try {
        const answer = await asked(`${address}?${query()}`, { method: "POST" });
        const link = document.createElement("a");
        link.href = URL.createObjectURL(await answer.blob());
        link.download = answer.headers.get("Content-Disposition").match(/filename="(.+)"/)[1];
        link.click();
        setTimeout(() => URL.revokeObjectURL(link.href), 10000);
        tell(`Saved as ${link.download}.`);
      } catch (error) {
        tell("", error.message);
      }
      element(id).disabled = false;
    });
  }
}
