"""The picture of a comparison of drawings, as a file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

from bench.choice.choice import Choice
from bench.choice.figure import choice_figure, shown_view
from bench.draw.map_info import MapInfo
from bench.draw.style import applied, save
from bench.scene.model import Bay
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
    job = next(iter(jobs.values()))
    target = f"drawings on a plate of {plate.name}"
    info = MapInfo.of(bay, job, choice.request, target=target)
    with applied():
        shown = shown_view(choice, jobs, math.degrees(show_turn))
        return save(choice_figure(choice, shown, info), out / "choice.png")
