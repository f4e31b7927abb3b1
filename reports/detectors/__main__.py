"""What optional detectors are good for: `python -m reports.detectors`; needs both packages.

Each picture is the shipped bay's camera and lens looking at its 200 mm marker, drawn with noise;
all detectors see the same pictures, and one solver (ippe-lm) makes poses of their corners.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl

from bench.detect.apriltag import AprilTag
from bench.detect.apriltag_python import AprilTagPython
from bench.detect.aruco import subpix
from bench.detect.detection import Detector
from bench.detect.locus import Locus
from bench.detect.observation import Observation
from bench.digest import key_digest
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import capture
from bench.imaging.region import region_of
from bench.scene.load import load_bay
from bench.solve.estimate import Estimate
from bench.solve.ippe import IppeLmSolver

HERE = Path(__file__).parent
RANGES_M = (2.5, 5.0, 10.0, 20.0)
TURNS_DEG = (0.0, 30.0, 60.0, 70.0)
TRIALS = 12
# Beyond that it is the other of the two poses that a plane has, no error of a corner.
MIRRORED_DEG = 10.0
DETECTORS: tuple[Detector, ...] = (AprilTag(), AprilTagPython(), Locus(), subpix())


def observations() -> Iterator[tuple[float, float, Observation, Pose]]:
    """Yield range, turn, what is seen and the true pose."""
    bay = load_bay(None)
    tower = bay.towers[0]
    camera, target = tower.camera, bay.target
    for range_m in RANGES_M:
        for turn_deg in TURNS_DEG:
            for trial in range(TRIALS):
                key = key_digest(f"detectors {range_m} {turn_deg} {trial}")
                rng = np.random.default_rng(np.random.SeedSequence([17, key]))
                turn, roll, pitch = np.radians(
                    [turn_deg + rng.uniform(-3, 3), rng.uniform(-15, 15), rng.uniform(-5, 5)]
                )
                pixel = np.array([camera.cx, camera.cy]) + rng.uniform(-300, 300, 2)
                view = View(range_m, turn, pitch, roll, (float(pixel[0]), float(pixel[1])))
                pose = pose_of_view(view, camera)
                region = region_of(target.drawing, pose, camera, 20.0)
                picture = capture(target.drawing, pose, camera, tower.imaging, region, rng)
                yield range_m, turn_deg, Observation(picture, camera, target), pose


def rows() -> Iterator[dict[str, object]]:
    """Yield a row a picture and detector."""
    for range_m, turn_deg, seen, pose in observations():
        for detector in DETECTORS:
            start = time.process_time()
            detection = detector.detect(seen)
            row: dict[str, object] = {
                "range_m": range_m,
                "turn_deg": turn_deg,
                "detector": detector.name,
                "found": bool(len(detection.pixels)),
                "ms": 1e3 * (time.process_time() - start),
            }
            if row["found"]:
                off = detection.pixels - project(detection.p_target, pose, seen.camera)
                row["corner_px"] = float(np.sqrt(np.mean(off**2)))
                row |= _pose_errors(IppeLmSolver().solve(detection, seen), pose)
            yield row


def _pose_errors(estimate: Estimate, pose: Pose) -> dict[str, object]:
    found = estimate.T_camera_target_est
    if found is None or estimate.covariance is None:
        return {}
    turn = log_rotation(pose.rotation.T @ found.rotation)
    error = np.append(turn, found.translation - pose.translation)
    return {
        "rot_deg": float(np.degrees(np.linalg.norm(turn))),
        "square": float(error @ np.linalg.solve(estimate.covariance, error)),
        "ambiguous": estimate.outcome.value == "ambiguous",
    }


def summary(table: pl.DataFrame) -> pl.DataFrame:
    """Return, by cell and detector, how many were found and the root mean squares."""
    mirrored = pl.col("rot_deg") > MIRRORED_DEG
    good = pl.col("ambiguous").eq(False) & ~mirrored
    return table.group_by("detector", "range_m", "turn_deg", maintain_order=True).agg(
        pl.col("found").sum().alias("found"),
        pl.col("ambiguous").sum().alias("ambiguous"),
        (mirrored & pl.col("ambiguous").eq(False)).sum().alias("mirrored"),
        (pl.col("corner_px") ** 2).mean().sqrt().round(3).alias("corner_px"),
        (pl.col("rot_deg").filter(good) ** 2).mean().sqrt().round(3).alias("rot_deg"),
        pl.col("square").filter(good).mean().round(1).alias("square"),
        pl.col("ms").median().round(1).alias("ms"),
    )


if __name__ == "__main__":
    cells = summary(pl.DataFrame(list(rows()), infer_schema_length=None))
    cells.write_csv(HERE / "cells.csv")
    for cell in cells.iter_rows(named=True):
        print(cell)
