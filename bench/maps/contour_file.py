"""A contour's picture, as a file."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from bench.draw import style
from bench.draw.map_info import MapInfo
from bench.maps.contour import contour_figure
from bench.scene.model import Bay
from bench.survey.contour import Contour
from bench.survey.contour_run import ContourReport
from bench.survey.worker import Job


def write_contour_picture(
    out: Path, place: Bay, job: Job, contour: Contour, report: ContourReport, cells: pl.DataFrame
) -> Path:
    """Draw contour.png, with the trials that each cell of the table took."""
    plan = contour.plan
    fewest = contour.looks[0] * len(plan.positions)
    info = MapInfo.of(place, job, contour.request, fewest=fewest)
    at = ["range_m", "turn_deg", "pitch_deg"]
    axes = (plan.ranges_m, plan.turns_deg, plan.pitches_deg)
    trials = {
        (axes[0].index(r), axes[1].index(t), axes[2].index(p)): n
        for r, t, p, n in cells.group_by(at).agg(pl.col("n").first()).iter_rows()
    }
    with style.applied():
        figure = contour_figure(contour, report.verdicts, trials, info)
        return style.save(figure, out / "contour.png")
