"""All pictures of a finished map, as files."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.draw.map_info import MapInfo
from bench.maps.ambiguity import ambiguity_figure
from bench.maps.contact_sheet import contact_shots, write_contact_sheet
from bench.maps.curves import face_on_words
from bench.maps.figures import write_map_figures
from bench.scene.model import Bay
from bench.survey.ambiguity import ambiguity_table, with_predictions
from bench.survey.limits import Limits
from bench.survey.pieces import Cases
from bench.survey.tables import write_table
from bench.survey.worker import Job, case_of_row, picture_of_case


def write_map_pictures(
    out: Path, bay: Bay, job: Job, cases: Cases, cells: pl.DataFrame, limits: Limits
) -> tuple[list[Path], str]:
    """Write all pictures; return them, and what they say of tilt 0.

    Parameters
    ----------
    out : Path
        Directory.
    bay : Bay
        What was surveyed.
    job : Job
        How.
    cases : Cases
        Of the run.
    cells : DataFrame
        The cases summed up.
    limits : Limits
        What follows from them.

    Raises
    ------
    RunError
        A file can't be written.
    """
    info = MapInfo.of(bay, job, limits.request, rolls=limits.rolls)
    files = write_map_figures(out, cells, limits, info)
    mirrored = with_predictions(ambiguity_table(cases), job.setting)
    files += write_table(out, "mirrored", mirrored)
    if not mirrored.is_empty():
        with style.applied():
            files.append(style.save(ambiguity_figure(mirrored, info), out / "map_ambiguity.png"))
    shots = contact_shots(
        cases, cells, lambda row: picture_of_case(case_of_row(row, job.plan), job)
    )
    files.append(write_contact_sheet(out, shots, info))
    return files, face_on_words(CellGrid.of(cells), info)
