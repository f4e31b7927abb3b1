"""What a bay's results become with another camera: `python -m reports.characterise.changes`.

Takes, for each camera, its bay file and a folder with what `aim`, `site --evaluate` and `budget`
wrote for it (folders of these names), predicts the bay's map, and writes the table that the
study's report ends with. The first camera is the data sheet's.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from bench.scene.load import load_bay
from bench.survey.predicted_map import predict_map
from bench.survey.setup import job_of_bay

TABLE = Path(__file__).with_name("changes.md")
RANGES_M, TURNS_DEG = (3.0, 5.0, 8.0), (15.0, 30.0, 45.0)
HEAD = """\
## What changes with the measured camera

The shipped bay; the `bay.toml` that the rehearsal of `characterise` wrote for it (blur 0.70 px
where the file says 0.60, all else as said within its uncertainty); and that with a gamma of 2.2
and noise that neighbours share by 0.25, as a camera for people has it. `site` judges the layout
as it is; the map is the predicted one, of bays as built and of noise alone, at turns of 15 to 45
degrees.
"""


def _worst(which: str, rows: str, number: str, **chosen: str) -> Callable[[dict[str, Any]], float]:
    def worst(values: dict[str, Any]) -> float:
        asked = values[which][rows]
        return max(
            float(row[number]) for row in asked if all(row[k] == v for k, v in chosen.items())
        )

    return worst


RESULTS: dict[str, Callable[[dict[str, Any]], float]] = {
    "aim: toe of the worst target, deg": _worst("aim", "sightings", "expanded_toe_deg"),
    "aim: camber of the worst target, deg": _worst("aim", "sightings", "expanded_camber_deg"),
    "aim: its place along the line of sight, mm": _worst("aim", "sightings", "expanded_along_mm"),
    "site: worst uncertainty over tolerance": lambda v: float(v["site"]["over_tolerance"]),
} | {
    f"budget: {name}, deg": _worst("budget", "lines", "expanded_deg", quantity=name)
    for name in ("toe", "camber", "thrust")
}


def results_of(bay: Path | None, folder: Path) -> dict[str, float]:
    """Return a camera's results by name; of the map, rotations' standard uncertainties."""
    values = {
        which: json.loads((folder / which / f"{which}.json").read_text("utf-8"))["value"]
        for which in ("aim", "site", "budget")
    }
    found = {name: of(values) for name, of in RESULTS.items()}
    setting = job_of_bay(load_bay(bay), as_built=True).setting
    predicted = predict_map(setting, RANGES_M, TURNS_DEG)
    noise = np.degrees(np.linalg.norm(predicted.bound[..., :3], axis=-1))
    for k, at in enumerate(RANGES_M):
        found[f"map: rotation at {at:g} m, as built, deg"] = float(
            predicted.rotation_deg[k].mean()
        )
        found[f"map: rotation at {at:g} m, noise alone, deg"] = float(noise[k].mean())
    return found


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs=3, help="SAID FITTED PROCESSED")
    parser.add_argument("--bays", type=Path, nargs=2, help="bay files of the latter two")
    asked = parser.parse_args()
    bays = [None, *asked.bays]
    columns = [results_of(*pair) for pair in zip(bays, asked.folders, strict=True)]
    lines = [HEAD, "| result | data sheet | measured | gamma, shared noise |", "|---|---|---|---|"]
    for name, said in columns[0].items():
        others = [f"{c[name]:.3g} ({c[name] / said - 1.0:+.1%})" for c in columns[1:]]
        lines.append(f"| {name} | {said:.3g} | {' | '.join(others)} |")
    TABLE.write_text("\n".join(lines) + "\n", "utf-8")
