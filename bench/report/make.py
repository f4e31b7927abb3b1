"""From a run to what its report shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bench import __version__
from bench.draw.cell_grid import CellGrid
from bench.draw.map_info import MapInfo
from bench.report.other_runs import (
    budget_section,
    level_section,
    registration_section,
    siting_section,
    wheels_section,
)
from bench.report.page import Report
from bench.report.pictures import bound_figures, map_figures
from bench.report.run import MapRun, find_bay, job_of_run
from bench.report.samples import choose_samples
from bench.report.section import Section
from bench.report.shots import Progress, take_shots
from bench.report.verification import verification_section
from bench.report.views import cell_views
from bench.scene.model import Bay
from bench.survey.grid_phase import roll_words
from bench.survey.setup import axle_ranges


@dataclass(frozen=True)
class Others:
    """Where the results of other commands are; None leaves their section out."""

    siting: Path | None = None
    budget: Path | None = None
    registration: Path | None = None
    level: Path | None = None
    wheels: Path | None = None
    verification: Path | None = None


def sections_of(others: Others, run: MapRun) -> list[Section]:
    """Return the sections of other commands' results.

    Parameters
    ----------
    others : Others
    run : MapRun
        The map; results made for another camera or target are refused, those of another state
        of the bay file say so.

    Raises
    ------
    ConfigError
        A result isn't there, isn't what its command writes, or was made for something else.
    """
    makers = (
        (others.siting, siting_section),
        (others.budget, budget_section),
        (others.registration, registration_section),
        (others.level, level_section),
        (others.wheels, wheels_section),
    )
    found = [make(place, run.run) for place, make in makers if place is not None]
    if others.verification is not None:
        found.append(verification_section(others.verification))
    return found


def report_of(
    run: MapRun,
    sections: Sequence[Section],
    command: str,
    bay: Path | None,
    pictures: bool,
    progress: Progress,
) -> Report:
    """Return what a report shows; renders two pictures a cell unless told not to.

    Raises
    ------
    ConfigError
        No bay is that of the run's pictures, see `bench.report.run.find_bay`.
    """
    samples = choose_samples(run.cases)
    shots = {}
    place: Bay | None = None
    if pictures:
        place = find_bay(run, bay)
        rows = [
            (pipeline, row)
            for (pipeline, *_), sample in samples.items()
            for row in (sample.typical, sample.worst)
            if row is not None
        ]
        shots = dict(take_shots(rows, job_of_run(run, place), progress))
    views = cell_views(run, samples, shots)
    info, grid = _info(run, place), CellGrid.of(run.cells)
    return Report(
        run,
        info,
        views,
        sections,
        map_figures(grid, info),
        bound_figures(grid, info),
        command,
    )


def _info(run: MapRun, bay: Bay | None) -> MapInfo:
    return MapInfo(
        bay="unknown bay" if run.run.bay is None else run.run.bay.name,
        target=run.run.value.target,
        camera=run.run.value.camera,
        seed=run.plan.seed,
        pictures=run.plan.trials * len(run.plan.positions),
        version=__version__,
        request=run.limits.request,
        axle_ranges=() if bay is None else axle_ranges(bay, run.plan.tower),
        rolls=roll_words(run.plan.roll_deg, run.plan.roll_spread_deg),
    )
