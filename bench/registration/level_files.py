"""Results of finding level as files: a rehearsed example and a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from bench.files import write_atomically
from bench.geometry.pose import Pose
from bench.registration.level_plan import LevelPlan
from bench.registration.level_rehearsal import Site, draw_settings
from bench.registration.level_table import level_table
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair


def write_example(bay: Bay, plan: LevelPlan, site: Site, seed: int, out: Path) -> Path:
    """Write rehearsal.csv, the first rehearsal's measured poses of the bar; return it."""
    left, right = tower_pair(bay)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 0]))
    cameras = (left.T_bay_camera, right.T_bay_camera)
    settings = draw_settings(bay, plan, site, cameras, Pose.identity(), rng)
    path = out / "rehearsal.csv"
    write_atomically(path, level_table(settings).encode())
    return path


def write_level_picture(out: Path, shares: dict[str, Any], rms: dict[str, Any], note: str) -> None:
    """Draw level.png."""
    from bench.draw.style import save
    from bench.registration.level_figures import draw_level  # matplotlib takes a second to load

    save(
        draw_level(shares, rms, "Which way is up: how well towers know it", note),
        out / "level.png",
    )
