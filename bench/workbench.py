"""The bench in a notebook: pictures, poses, surveys and calibrations as functions.

Commands do more: they resume, draw and leave results that others take up. What is here takes and
returns plain values, and stands on the same functions.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl

from bench.cameras.calibration import CalibrationRun, calibrate_from
from bench.cameras.calibration_pictures import look_for_boards
from bench.cameras.measuring import measure_file
from bench.cameras.model_choice import Freedom
from bench.cameras.photograph_targets import (
    BOARDS,
    board_detector,
    check_pipelines,
    pipelines_of,
    read_target,
)
from bench.cameras.photographs import measurement_row, measurements_table
from bench.characterise.measure import Characterisation, characterise
from bench.characterise.shots import Setup, series_of
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.imaging.read import find_pictures
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.sighting.prediction import predictor_of
from bench.siting.aim import aim_table, judge_aim
from bench.solve.default_pipeline import default_pipeline
from bench.solve.estimate import Estimate
from bench.solve.pipeline import pipeline_from_name
from bench.survey.executors import InlineExecutor, ProcessExecutor
from bench.survey.limits import Limits, find_limits
from bench.survey.run import run_survey, silent
from bench.survey.setup import find_tower, job_of_bay, request_of_bay
from bench.survey.store import RunStore, read_cases
from bench.survey.verdicts import Request
from bench.targets.files import write_sheet
from bench.targets.sheet import layout_sheet
from bench.targets.spec import target_from_spec
from bench.targets.target import Target


def estimate_pose(
    picture: Picture, camera: Camera, target: Target, pipeline: str | None = None
) -> Estimate:
    """Return what a pipeline makes of a picture.

    >>> import bench, numpy as np
    >>> bay = bench.load_bay()
    >>> tower = bay.towers[0]
    >>> pose = bench.pose_of_view(bench.View(range_m=4.0, turn=0.6), tower.camera)
    >>> picture = bench.render_target(
    ...     bay.target, pose, tower.camera, tower.imaging, np.random.default_rng(1)
    ... )
    >>> found = bench.estimate_pose(picture, tower.camera, bay.target)
    >>> str(found.outcome), bool(abs(found.T_camera_target_est.translation[2] - 4.0) < 1e-3)
    ('ok', True)

    Parameters
    ----------
    picture : Picture
        Of `bench.render_target`, or read from a file.
    camera, target : Camera, Target
        What it is taken to be a picture by, and of.
    pipeline : str, optional
        DETECTOR/SOLVER; the best tested for this kind of target when left out.

    Returns
    -------
    Estimate
        Outcome; pose, metres and radians in the camera's frame (x right, y down, z ahead), and
        covariance where there is a pose. A target that isn't found is an outcome.

    Raises
    ------
    PlugInError
        There is no such pipeline, or it can't look for this target.
    """
    chosen = pipeline_from_name(pipeline or default_pipeline(target))
    return chosen.run(Observation(picture, camera, target))[1]


def survey_bay(
    bay: Bay | None = None,
    out: Path | str | None = None,
    *,
    tower: str | None = None,
    as_built: bool = True,
    workers: int | None = None,
    **changes: Any,
) -> pl.DataFrame:
    """Return the table of a survey, a row a picture and pipeline; `sightbench map` as a function.

    >>> import bench
    >>> cases = bench.survey_bay(
    ...     ranges_m=(3.0,), turns_deg=(30.0,), trials=2, workers=1, as_built=False,
    ...     pipelines=("apriltag/ippe-lm",),
    ... )
    >>> cases.shape[0], cases["outcome"].to_list()
    (2, ['ok', 'ok'])

    Parameters
    ----------
    bay : Bay, optional
        Whose camera, target and survey section; the one that ships with the package.
    out : path, optional
        Where the run is kept, and taken up again when it was interrupted; nowhere by default.
    tower : str, optional
        Whose camera to look through; the first.
    as_built : bool
        Whether every picture has a bay's imperfections; else noise alone.
    workers : int, optional
        Processes; one a core.
    **changes
        Fields of `bench.survey.plan.Plan` in place of the bay's: ``ranges_m``, ``turns_deg``,
        ``pitches_deg``, ``trials``, ``pipelines``, ``seed`` and others.

    Returns
    -------
    polars.DataFrame
        Columns as ``cases.parquet`` has them: degrees, metres and millimetres by their names.

    Raises
    ------
    ConfigError, PlugInError, RunError
        The plan can't be carried out; `out` holds another one's run, or can't be written.
    """
    job = job_of_bay(bay or load_bay(), tower, as_built=as_built, **changes)
    count = workers or os.cpu_count() or 1
    executor = InlineExecutor() if count == 1 else ProcessExecutor(count)
    if out is not None:
        run_survey(job, RunStore(Path(out)), executor, progress=silent)
        return read_cases(Path(out))
    with TemporaryDirectory() as directory:
        run_survey(job, RunStore(Path(directory)), executor, progress=silent)
        return read_cases(Path(directory))


def limits(
    cases: pl.DataFrame,
    within_deg: float | None = None,
    success: float | None = None,
    confidence: float | None = None,
) -> Limits:
    """Return how far and how steep a tolerance holds, by the table of a survey.

    >>> import bench
    >>> cases = bench.survey_bay(
    ...     ranges_m=(3.0,), turns_deg=(30.0,), trials=2, workers=1, as_built=False,
    ...     pipelines=("apriltag/ippe-lm",),
    ... )
    >>> bench.limits(cases, success=0.9).ranges["verdict"].to_list()  # two pictures decide nothing
    ['undecided']

    Parameters
    ----------
    cases : polars.DataFrame
        Of `bench.survey_bay`, or a run's ``cases.parquet``.
    within_deg, success, confidence : float, optional
        Largest angle of the rotation error, degrees; share of all pictures that must be usable
        and within it; confidence of showing that. The shipped bay's when left out.

    Raises
    ------
    ConfigError
        A number is outside its limits.
    """
    shipped = request_of_bay(load_bay())
    given = (within_deg, success, confidence)
    stated = (shipped.within_deg, shipped.success, shipped.confidence)
    return find_limits(
        cases, Request(*(s if g is None else g for g, s in zip(given, stated, strict=True)))
    )


def predict(bay: Bay | None = None, tower: str | None = None) -> pl.DataFrame:
    """Return how well a bay's towers will see and measure each wheel, without any picture.

    >>> import bench
    >>> sorted(set(bench.predict(tower="left")["wheel"]))
    ['front left', 'rear left']

    Parameters
    ----------
    bay : Bay, optional
        The one that ships with the package.
    tower : str, optional
        Name of one; all.

    Returns
    -------
    polars.DataFrame
        A row a wheel and tower: place in the picture, range, tilt, and expanded uncertainties,
        from the Cramér–Rao bound and the bay's own imperfections (`bench.sighting`).

    Raises
    ------
    ConfigError
        There is no such tower, or no wheel on any tower's side.
    """
    place = bay or load_bay()
    return aim_table(judge_aim(place, predictor_of(place), tower))


def measure(
    pictures: Sequence[str | Path],
    camera: Camera,
    target: Target | str,
    pipelines: Sequence[str] = (),
) -> pl.DataFrame:
    """Return the poses of a target in photographs; `sightbench measure` as a function.

    >>> import bench
    >>> camera = bench.load_bay().towers[0].camera
    >>> bench.measure(["no-such-file.png"], camera, "marker:36h11:7:200 mm")
    Traceback (most recent call last):
    bench.errors.PictureError: no-such-file.png: no such file or folder

    Parameters
    ----------
    pictures : sequence of path
        Files, folders of them, or wild cards.
    camera : Camera
        Of `bench.read_camera`: for pictures of this size, with this lens and focus.
    target : Target or str
        What to look for; a line as `bench.target_from_spec` reads it, or a bay file.
    pipelines : sequence of str
        DETECTOR/SOLVER; the best tested for this kind of target when empty.

    Returns
    -------
    polars.DataFrame
        A row a picture and pipeline, columns as ``measurements.csv``.

    Raises
    ------
    PictureError, ConfigError, PlugInError
        A file can't be read or has another size than the camera's; the target or a pipeline
        won't do.
    """
    wanted = read_target(target) if isinstance(target, str) else target
    chosen = pipelines_of(wanted, pipelines)
    check_pipelines(wanted, chosen, any_id=False)
    found = [
        measurement_row(one)
        for path in find_pictures(pictures)
        for one in measure_file(path, camera, wanted, chosen, any_id=False)[0]
    ]
    return measurements_table(found)


def calibrate(
    pictures: Sequence[str | Path], board: Target | str, freedom: Freedom | None = None
) -> CalibrationRun:
    """Return the calibration of a camera from photographs of a board; `sightbench intrinsics`.

    >>> import bench
    >>> bench.calibrate(["no-such-file.png"], "chessboard:9x6:25 mm")
    Traceback (most recent call last):
    bench.errors.PictureError: no-such-file.png: no such file or folder

    Parameters
    ----------
    pictures : sequence of path
        Files, folders of them, or wild cards: three views at least, a dozen tilted ones are good.
    board : Target or str
        A line as `bench.target_from_spec` reads it.
    freedom : Freedom, optional
        What the views may choose of the lens and of the board's shape; all.

    Returns
    -------
    CalibrationRun
        ``calibration.camera`` with its covariance, the views with their residuals, and the choice
        of the model.

    Raises
    ------
    PictureError, GeometryError
        Pictures can't be read, or don't determine the camera.
    """
    wanted = target_from_spec(board, BOARDS) if isinstance(board, str) else board
    found = look_for_boards(
        find_pictures(pictures), [(wanted, board_detector(wanted, None))], silent
    )
    return calibrate_from(found[1], found[0], freedom or Freedom())


def characterise_camera(
    frames: Sequence[str | Path], bay: Bay | None = None, tower: str | None = None
) -> Characterisation:
    """Return what pictures of a target say of their camera; `sightbench characterise`.

    >>> import bench
    >>> bench.characterise_camera(["no-such-file.png"])
    Traceback (most recent call last):
    bench.errors.PictureError: no-such-file.png: no such file or folder

    Parameters
    ----------
    frames : sequence of path
        Files, folders of them, or wild cards, of one camera and setting: series of repeats, dark
        and flat frames and views by their names, as ``sightbench characterise --sheet`` asks for.
    bay : Bay, optional
        Whose camera, as its data sheet has it, and target; the one that ships with the package.
    tower : str, optional
        Whose camera; the first.

    Returns
    -------
    Characterisation
        ``numbers`` has gain, noise, blur, light and ink by their keys of a bay file, each with its
        standard uncertainty; ``checks`` what was held back against what the bench predicts;
        ``reasons`` why these pictures can't tell, if they can't.

    Raises
    ------
    PictureError, ConfigError
        A picture can't be read or used; there is no such tower.
    """
    place = bay or load_bay()
    own = find_tower(place, tower)
    series = series_of(find_pictures(frames))
    pipelines = tuple(map(pipeline_from_name, place.survey.pipelines))
    setup = Setup(own.camera, own.imaging, place.target, pipelines, place.survey.seed)
    return characterise(series, setup, silent)


def print_target(target: Target, out: Path | str, page: str = "auto") -> tuple[Path, ...]:
    """Write a target to true scale as PDF and SVG, and return the files.

    >>> import bench, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     files = bench.print_target(bench.target_from_spec("marker:36h11:7:100 mm"), place)
    ...     sorted({file.suffix for file in files})
    ['.pdf', '.svg']

    Parameters
    ----------
    target : Target
        What to print.
    out : path
        The folder; made when it is missing.
    page : str
        A paper, ``fit`` for one page as large as it must be, or ``auto``, the first that takes
        the plate whole. Print at 100 %, and measure the scale bar.

    Raises
    ------
    ConfigError, RunError
        There is no such page; the folder can't be written.
    """
    return write_sheet(layout_sheet(target, page), Path(out))
