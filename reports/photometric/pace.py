"""How long the solver takes, by the size of what it looks at."""

from __future__ import annotations

import time
from dataclasses import replace

from bench.detect.observation import Observation
from bench.geometry.viewing import pose_of_view
from bench.imaging.region import region_of
from bench.render.planar import render_target
from bench.solve.photometric import PhotometricSolver
from bench.targets.target import Target
from reports.photometric.cases import Row, find
from reports.photometric.setting import CAMERA, Cell, draw_view, generator

# A marker of 80 px has a plate of 100 px.
CELLS = tuple(Cell(size, 30.0, 0.6) for size in (20.0, 33.0, 80.0, 160.0, 300.0))
# Corners claimed so uncertain that they never exclude the second branch.
UNDECIDED_PX = 3.0


def solve_times(seed: int, n: int, target: Target) -> list[Row]:
    """Return one row a case: milliseconds with the second branch fitted, and as it comes."""
    solver = PhotometricSolver()
    rows: list[Row] = []
    for cell in CELLS:
        for trial in range(-3, n):  # some first, to compile and to warm caches
            rng = generator(seed, f"pace/{cell.name}/{trial}")
            pose = pose_of_view(draw_view(cell, rng), CAMERA)
            picture = render_target(target, pose, CAMERA, cell.imaging, rng)
            seen = Observation(picture, CAMERA, target, cell.imaging.sensor)
            detection, _ = find(seen, pose, rng)
            times = []
            for told in (replace(detection, sigma_px=UNDECIDED_PX), detection):
                begun = time.perf_counter()
                solver.solve(told, seen)
                times.append(1e3 * (time.perf_counter() - begun))
            if trial < 0:
                continue
            plate = region_of(target.drawing, pose, CAMERA, 0.0)
            rows.append(
                {
                    "cell": cell.name,
                    "size_px": cell.size_px,
                    "plate_pixels": plate.width * plate.height,
                    "both_ms": times[0],
                    "solve_ms": times[1],
                }
            )
    return rows
