"""A calibration as files, and rehearsed pictures of a board."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import polars as pl

from bench.cameras.calibration import (
    CalibrationRun,
    models_table,
    parameters_table,
    views_table,
)
from bench.cameras.calibration_change import Change
from bench.cameras.photographs import Measurement
from bench.cameras.projection_uncertainty import ProjectionMap, projection_map
from bench.cameras.rehearsal import calibration_board, calibration_views, write_rehearsal
from bench.cameras.result import CALIBRATION, calibration_value
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.envelope import Origin, write_result
from bench.imaging.read import read_picture
from bench.scene.camera_file import write_camera
from bench.scene.load import load_bay
from bench.solve.estimate import Estimate, Outcome
from bench.survey.tables import write_table
from bench.targets.target import Target


def write_calibration(
    out: Path,
    shown: Mapping[str, tuple[Path, Target]],
    board: str,
    run: CalibrationRun,
    origin: Origin,
    change: Change | None = None,
) -> None:
    """Write calibration.json, camera.toml, the tables, figures and overlays of views.

    Parameters
    ----------
    out : Path
        Directory.
    shown : mapping of str to (Path, Target)
        The picture of each view and the board in it, by the view's name; none of lists of points.
    board : str
        What was calibrated from, in words.
    run : CalibrationRun
        What was found.
    origin : Origin
        Where it comes from.
    change : Change or None
        Since an earlier calibration.

    Raises
    ------
    RunError
        A file can't be written.
    """
    from bench.cameras.calibration_figures import (
        write_calibration_figures,  # matplotlib loads slowly
    )
    from bench.cameras.projection_figures import write_change_figure, write_projection_figure

    calibration = run.calibration
    uncertainties = {
        name: float(u)
        for name, u in zip(calibration.names, calibration.standard_uncertainties, strict=True)
        if u > 0.0
    }
    comment = f"Calibrated from {len(run.views)} views: {board}.\n{origin.command}"
    write_camera(out / "camera.toml", calibration.camera, uncertainties, comment)
    write_table(out, "parameters", parameters_table(run))
    write_table(out, "views", views_table(run), decimals=6)
    value = calibration_value(calibration, board, run.choice.words)
    write_result(out / CALIBRATION.file, CALIBRATION, value, origin)
    note = f"{board}; {origin.command}"
    write_calibration_figures(out, run.views, calibration, note)
    if run.choice.lenses or run.choice.shapes:
        write_table(out, "models", models_table(run))
    found = projection_map(calibration)
    write_table(out, "projection", projection_table(found), decimals=6)
    write_projection_figure(out, found, note)
    if change is not None:
        write_table(out, "change", change_table(change), decimals=6)
        write_change_figure(out, change, note)
    _draw_views(out, shown, run, note)


def projection_table(found: ProjectionMap) -> pl.DataFrame:
    """Return a map's table: u, v, range, standard uncertainty; null where there is no ray."""
    places = np.meshgrid(found.ranges_m, found.v, found.u, indexing="ij")
    ranges, v, u = (place.ravel() for place in places)
    columns = {"u_px": u, "v_px": v, "range_m": ranges, "sigma_px": found.sigma_px.ravel()}
    return pl.DataFrame(columns).with_columns(pl.col("sigma_px").fill_nan(None))


def change_table(change: Change) -> pl.DataFrame:
    """Return a change's table over the frame; null where a lens model has no ray."""
    v, u = (place.ravel() for place in np.meshgrid(change.v, change.u, indexing="ij"))
    moved = change.moved_px.reshape(-1, 2)
    columns = {"u_px": u, "v_px": v, "moved_u_px": moved[:, 0], "moved_v_px": moved[:, 1]}
    columns |= {"sigma_px": change.sigma_px.ravel()}
    columns |= {"significance": change.significance.ravel()}
    return pl.DataFrame(columns).fill_nan(None)


def _draw_views(
    out: Path, shown: Mapping[str, tuple[Path, Target]], run: CalibrationRun, note: str
) -> None:
    """Draw an overlay of each view that stands out, or of the one with the largest residual."""
    from bench.cameras.overlay import write_overlay

    rmse = run.calibration.view_rmse_px
    for index in run.outstanding or [int(np.argmax(rmse))]:
        view = run.views[index]
        if view.name not in shown:
            continue
        path, board = shown[view.name]
        measurement = Measurement(
            str(path),
            "calibration",
            Observation(read_picture(path), run.calibration.camera, board),
            Detection(Found.FOUND, view.pixels, view.p_target),
            Estimate(Outcome.OK, run.calibration.poses[index], rmse_px=float(rmse[index])),
        )
        write_overlay(out / f"{path.stem}-overlay.png", [measurement], note)


def write_rehearsed_boards(out: Path, say: Callable[[str], None]) -> tuple[list[Path], Target]:
    """Render pictures of a board; return them and the board.

    `say` is told what is going to be rendered.
    """
    bay = load_bay()
    tower = bay.towers[0]
    board = calibration_board()
    folder = out / "rehearsal"
    say(
        f"rehearsal: no pictures given, so {folder} gets rendered ones of a {board.name} as the "
        f"{tower.name} tower of {bay.name} sees it; its true focal length is "
        f"{tower.camera.fx:.2f} px"
    )
    views, camera, seed = calibration_views(tower.camera, board), tower.camera, bay.survey.seed
    return write_rehearsal(folder, views, board, camera, tower.imaging, seed), board
