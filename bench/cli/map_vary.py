"""`sightbench map --vary`: error against one number of the bay file."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli.saying import say, say_written
from bench.cli.surveying import INTERRUPTED, run_surveys
from bench.files import make_directory

if TYPE_CHECKING:
    from bench.scene.model import Bay
    from bench.survey.executors import Executor
    from bench.survey.vary import Variation
    from bench.survey.worker import Job

VaryOption = Annotated[
    str | None,
    typer.Option(
        "--vary",
        metavar="KEY=VALUES",
        help="Instead of a map: error against a number of the bay file, such as "
        "'budget.flatness=0, 0.1, 0.3 mm', 'camera.optics.sigma=0.4, 0.8, 1.2 px', "
        "'light.level=0.1, 0.3, 0.7', 'imperfections.reflection_share=0, 0.1, 1' or "
        "'survey.roll=0, 15, 45 deg', at the nearest and the farthest axle and the mount's turn "
        "unless --ranges and --turns say otherwise. Writes vary.csv and vary.png.",
        show_default="no",
    ),
]


def vary(
    text: str,
    path: Path | None,
    tower: str | None,
    changes: dict[str, Any],
    out: Path,
    executor: Executor,
    workers: int | str,
    chunk: int,
    *,
    pictures: bool,
    quiet: bool,
) -> int:
    """Run a survey for each value and say what came of it; `changes` as `job_of_bay`'s."""
    from bench.survey.cells import summarise
    from bench.survey.setup import request_of_bay
    from bench.survey.store import open_cases
    from bench.survey.tables import write_table
    from bench.survey.vary import bays_of, parse_variation, varied_table, varied_words

    variation = parse_variation(text)
    bays = bays_of(variation, path)
    jobs = [_job(bay, tower, changes) for bay in bays]
    folders = [out / f"value-{index:02d}" for index in range(len(bays))]
    surveys = zip(folders, bays, jobs, strict=True)
    if not run_surveys(out, surveys, executor, workers, chunk, quiet):
        return INTERRUPTED
    cells = [summarise(open_cases(folder)) for folder in folders]
    make_directory(out)
    table = varied_table(variation, cells)
    written = write_table(out, "vary", table)
    request = request_of_bay(bays[0])
    if pictures:
        written.append(_picture(out, variation, bays[0], jobs, table))
    say_written(out, written, "; runs in value-NN/")
    say(varied_words(table, request.within_deg))
    typer.echo(
        "An RMS describes and decides nothing: 'sightbench limits' answers for each value-NN."
    )
    return 0


def _job(bay: Bay, tower: str | None, changes: dict[str, Any]) -> Job:
    from bench.survey.run import check_pipelines
    from bench.survey.setting import check_plan
    from bench.survey.setup import axle_ranges, job_of_bay

    ranges = [range_m for _, range_m in axle_ranges(bay, tower)]
    asked = {name: value for name, value in changes.items() if value is not None}
    turn = math.degrees(bay.vehicles[0].axles[0].mount.turn)
    own = {
        "ranges_m": tuple(sorted({round(min(ranges), 2), round(max(ranges), 2)})),
        "turns_deg": (float(f"{turn:.10g}"),),
    }
    job = job_of_bay(bay, tower, **(own | asked))
    check_plan(job.plan, job.setting)
    check_pipelines(job)
    return job


def _picture(out: Path, variation: Variation, bay: Bay, jobs: list[Job], table: Any) -> Path:
    from bench.survey.grid_phase import roll_words
    from bench.survey.setup import request_of_bay

    job, rolls = jobs[0], {roll_words(j.plan.roll_deg, j.plan.roll_spread_deg) for j in jobs}
    # matplotlib takes a second to load, which workers needn't spend
    from bench.draw import style
    from bench.draw.map_info import MapInfo
    from bench.maps.vary import vary_figure

    varied = "" if len(rolls) > 1 else rolls.pop()  # where they differ they are what varies
    info = MapInfo.of(bay, job, request_of_bay(bay), axle_ranges=(), rolls=varied)
    with style.applied():
        figure = vary_figure(table, variation.key, variation.unit, info)
        return style.save(figure, out / "vary.png")
