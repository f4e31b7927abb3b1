"""Pipelines for each kind of target: ``python -m reports.photometric.defaults``.

What `bench.solve.default_pipeline` rests on: every pipeline that can look for a target, on the
same pictures of it, near and far, upright and slanted, with a reflection in every other one. As
of a photograph, nothing is known of the sensor.
"""

from __future__ import annotations

import math
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor

import cv2
import numpy as np
import polars as pl

from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Highlight, Illumination
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.plugins import DETECTORS, available
from bench.processes import ONE_THREAD
from bench.provenance import host_facts, library_versions, now
from bench.solve.default_pipeline import default_pipeline
from bench.solve.pipeline import pipeline_from_name
from bench.survey.score import is_mirrored, rotation_error, translation_error
from bench.targets.spec import target_from_spec
from reports.photometric.cases import Row
from reports.photometric.options import parse
from reports.photometric.report_words import paragraph, table
from reports.photometric.setting import generator

TARGETS = {
    "AprilTag marker": "marker:36h11:7:200 mm",
    "other marker": "marker:4x4_50:7:200 mm",
    "grid of markers": "grid:36h11:3x2:80 mm:20 mm",
    "ChArUco board": "charuco:4x4_50:7x5:40 mm:30 mm",
    "circle grid": "circles:4x11:20 mm:15 mm",
}
SOLVERS = ("ippe-lm", "photometric")
# The shipped bay's lens, and one of 600 px: a target of 200 mm is 27 px wide at 4.4 m.
FOCALS_PX = (3478.0, 600.0)
RANGES_M = (2.0, 8.0)
MARGIN_PX = 12.0
PARTS = 6


def main() -> None:
    """Run the study and write its page."""
    options = parse("photometric.defaults", __doc__, 400, "kind")
    started = now()
    os.environ.update(ONE_THREAD)  # of the processes to come
    todo = [(options.seed, kind, trial) for kind in TARGETS for trial in range(options.n)]
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.workers, spawn, _prepare) as pool:
        rows = [row for part in pool.map(_run, todo, chunksize=8) for row in part]
    cases = pl.DataFrame(rows, infer_schema_length=None)
    text = report(cases, options.n, options.seed, started)
    (options.out / "defaults.md").write_text(text, encoding="utf-8")
    print(f"written to {options.out}")


def run_case(seed: int, kind: str, trial: int) -> list[Row]:
    """Return a row for each pipeline of one picture."""
    rng = generator(seed, f"defaults/{kind}/{trial}")
    target, focal = target_from_spec(TARGETS[kind]), FOCALS_PX[trial % 2]
    camera = Camera(2448, 2048, focal, focal, 1223.5, 1023.5)
    view = View(
        math.exp(rng.uniform(*np.log(RANGES_M))),
        turn=float(rng.choice([-1.0, 1.0]) * math.radians(rng.uniform(0.0, 65.0))),
        pitch=math.radians(rng.uniform(-15.0, 15.0)),
        roll=math.radians(rng.uniform(-15.0, 15.0)),
        pixel=(camera.cx + rng.uniform(-200, 200), camera.cy + rng.uniform(-200, 200)),
    )
    pose = pose_of_view(view, camera)
    spot = Highlight(rng.uniform(-0.08, 0.08), rng.uniform(-0.08, 0.08), 0.06, 0.2)
    light = Illumination(0.6, highlight=spot if trial // 2 % 2 else None)
    region = region_of(target.drawing, pose, camera, MARGIN_PX)
    imaging = Imaging(Optics(rng.uniform(0.5, 0.8)), light, Sensor())
    picture = capture(target.drawing, pose, camera, imaging, region, rng)
    seen = Observation(picture, camera, target)
    rows: list[Row] = []
    for name in pipelines_for(kind):
        _, estimate = pipeline_from_name(name).run(seen)
        row: Row = {"kind": kind, "pipeline": name, "outcome": str(estimate.outcome)}
        found, covariance = estimate.T_camera_target_est, estimate.covariance
        if found is not None and covariance is not None:
            rotation, shift = rotation_error(pose, found), translation_error(pose, found)
            error = np.concatenate((rotation, found.translation - pose.translation))
            row |= {
                "mirrored": is_mirrored(pose, found),
                "rot_deg": math.degrees(float(np.linalg.norm(rotation))),
                "range_percent": 100.0 * float(shift[2]) / view.range_m,
                "square": float(error @ np.linalg.solve(covariance, error)) / PARTS,
            }
        rows.append(row)
    return rows


def pipelines_for(kind: str) -> list[str]:
    """Return the bundled pipelines that can look for a kind of target."""
    target = target_from_spec(TARGETS[kind])
    names = [f"{detector}/{solver}" for detector in available(DETECTORS) for solver in SOLVERS]
    return sorted(name for name in names if not pipeline_from_name(name).refusal(target))


def report(cases: pl.DataFrame, n: int, seed: int, started: str) -> str:
    """Return the page."""
    host = host_facts()
    libraries = ", ".join(f"{name} {number}" for name, number in library_versions())
    about = paragraph(
        f"{n} pictures of each kind of target, seed {seed}, the same for all its pipelines: 2 to "
        "8 m, turned to 65 degrees, a lens of 3478 px or of 600 px, a smooth reflection on every "
        "other picture, the sensor unknown as of a photograph. Errors are of poses called ok that "
        "aren't mirrored: their 90th percentiles, which a few bad ones don't rule. *Squared "
        "error* is normalised by the claim, over six: its median is 0.89 where claims are right "
        "(χ² of six degrees), less where they are wide. The **default** of each kind is what "
        "commands take that name no pipeline."
    )
    sections = []
    for kind in TARGETS:
        own = cases.filter(pl.col("kind") == kind)
        default = default_pipeline(target_from_spec(TARGETS[kind]))
        lines = sorted(
            (_line(name, rows, name == default) for (name,), rows in own.group_by("pipeline")),
            key=lambda line: float(line[3]) if line[3] != "-" else math.inf,
        )
        head = (
            "pipeline", "ok, %", "mirrored, of 1000 ok", "rotation, deg", "range, %",
            "squared error, median",
        )  # fmt: skip
        sections.append(f"## {kind}\n\n`{TARGETS[kind]}`\n\n{table(head, lines)}")
    body = "\n\n".join(sections)
    return f"""# Which pipeline for which target

{about}

{body}

## Make it again

```sh
python -m reports.photometric.defaults --n {n} --seed {seed}
```

Started {started}. {host["processor"]}, {host["cores"]} cores, Python {host["python"]};
{libraries}.
"""


def _line(name: str, rows: pl.DataFrame, default: bool) -> tuple[str, ...]:
    good = rows.filter(pl.col("outcome") == "ok")
    words = f"**{name}** (default)" if default else name
    if not len(good):
        return (words, "0", "-", "-", "-", "-")
    right = good.filter(~pl.col("mirrored"))
    return (
        words,
        f"{100.0 * len(good) / len(rows):.0f}",
        f"{1000.0 * (len(good) - len(right)) / len(good):.0f}",
        f"{right['rot_deg'].quantile(0.9):.4f}",
        f"{right['range_percent'].abs().quantile(0.9):.4f}",
        f"{np.median(right['square'].to_numpy()):.2f}",
    )


def _prepare() -> None:
    cv2.setNumThreads(1)


def _run(task: tuple[int, str, int]) -> list[Row]:
    return run_case(*task)


if __name__ == "__main__":
    main()
