"""What the benchmark looks at: the shipped bay's camera and target at three sizes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from bench.digest import key_digest
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.survey.setup import job_of_bay
from bench.survey.worker import Job
from bench.targets.design import MarkerDesign, build_target
from bench.targets.target import Target

SEED = 1
CORNERS = "aruco-subpix/ippe-lm"  # the corner pipeline that is timed
PHOTOMETRIC = "apriltag/photometric"
SIZES_PX = {"near": 300.0, "middle": 100.0, "far": 30.0}
TURN_DEG = 30.0


@dataclass(frozen=True)
class Options:
    """What the command line asks for.

    Attributes
    ----------
    out : Path
        Where tables go.
    quick : bool
        Less of everything, for a look; the tables say so.
    workers : int
        Of surveys with several.
    earlier : Path or None
        The source of an earlier state that today's is held against.
    """

    out: Path
    quick: bool
    workers: int
    earlier: Path | None = None

    def few(self, full: int, quick: int) -> int:
        """Return a number of repetitions."""
        return quick if self.quick else full


@lru_cache(maxsize=1)
def bay() -> Bay:
    """Return the shipped bay."""
    return load_bay(None)


def job_of_size(size_px: float, trials: int, **changes: Any) -> Job:
    """Return the job of one cell in which the target's pattern is so many pixels wide."""
    camera, target = bay().towers[0].camera, bay().target
    range_m = round(float(np.sqrt(camera.fx * camera.fy)) * target.extent / size_px, 3)
    asked: dict[str, Any] = {
        "ranges_m": (range_m,),
        "turns_deg": (TURN_DEG,),
        "pitches_deg": (0.0,),
        "trials": trials,
        "pipelines": (CORNERS,),
        "seed": SEED,
    }
    return job_of_bay(bay(), **(asked | changes))


@lru_cache(maxsize=1)
def plain_target() -> Target:
    """Return a marker of 0.2 m whose plate is ten cells wide."""
    return build_target(MarkerDesign(marker_id=7, size=0.2))


def plain_poses(size_px: float, n: int) -> list[Pose]:
    """Return poses of the plain target, turned, rolled at random, anywhere within a pixel."""
    camera = bay().towers[0].camera
    range_m = camera.fx * 0.2 / size_px
    rng = np.random.default_rng(np.random.SeedSequence([SEED, key_digest(f"plain/{size_px}")]))
    poses = []
    for _ in range(n):
        place = rng.uniform(-0.5, 0.5, 2) + (camera.cx, camera.cy)
        view = View(
            range_m,
            np.radians(rng.choice((-1.0, 1.0)) * TURN_DEG),
            0.0,
            np.radians(rng.uniform(-15.0, 15.0)),
            (float(place[0]), float(place[1])),
        )
        poses.append(pose_of_view(view, camera))
    return poses
