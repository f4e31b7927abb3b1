"""The picture of a comparison of drawings, as a file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

from bench import __version__
from bench.choice.choice import Choice
from bench.choice.figure import choice_figure, shown_view
from bench.choice.report_words import common_plan
from bench.draw.map_info import MapInfo
from bench.draw.style import applied, save
from bench.scene.model import Bay
from bench.survey.grid_phase import roll_words
from bench.survey.plan_words import camera_words
from bench.survey.setup import axle_ranges
from bench.survey.worker import Job
from bench.targets.fill import Plate


def draw_choice(
    out: Path,
    bay: Bay,
    plate: Plate,
    choice: Choice,
    jobs: Mapping[str, Job],
    show_turn: float,
) -> Path:
    """Draw choice.png, with errors at the surveyed turn nearest to `show_turn`, radians.

    Raises
    ------
    RunError
        It can't be written.
    """
    plan = common_plan(jobs)
    info = MapInfo(
        bay=bay.name,
        target=f"drawings on a plate of {plate.name}",
        camera=camera_words(next(iter(jobs.values())).setting.camera, plan.tower),
        seed=plan.seed,
        pictures=plan.trials * len(plan.positions),
        version=__version__,
        request=choice.request,
        axle_ranges=axle_ranges(bay, plan.tower),
        rolls=roll_words(plan.roll_deg, plan.roll_spread_deg),
    )
    with applied():
        shown = shown_view(choice, jobs, math.degrees(show_turn))
        return save(choice_figure(choice, shown, info), out / "choice.png")
