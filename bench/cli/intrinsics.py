"""`sightbench intrinsics`: a camera's intrinsics from photographs of a board."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import cv2
import numpy as np
import typer

from bench.cameras.calibration import (
    CalibrationRun,
    Sighting,
    calibrate_from,
    look_for_board,
    parameters_table,
    summary,
    views_table,
)
from bench.cameras.default_pipelines import board_detector
from bench.cameras.intrinsics import PARAMETERS, LensModel
from bench.cameras.photographs import Measurement
from bench.cameras.rehearsal import calibration_board, calibration_views, rehearse
from bench.cli.options import OutOption
from bench.cli.progress import progress_bar
from bench.cli.results import write_run
from bench.detect.detection import Detection, Detector, Found
from bench.detect.observation import Observation
from bench.errors import ConfigError, PictureError
from bench.files import make_directory, write_atomically
from bench.imaging.read import find_pictures, read_picture
from bench.scene.camera_file import write_camera
from bench.scene.load import load_bay
from bench.solve.estimate import Estimate, Outcome
from bench.survey import provenance
from bench.survey.tables import write_table
from bench.targets.spec import target_from_spec
from bench.targets.target import Target

DEFAULT_OUT = Path("sightbench-intrinsics")
BOARDS = ("chessboard", "charuco")


def command(
    images: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="IMAGES…",
            help="Picture files, folders of them, or wild cards; all of one camera and focus.",
            show_default=False,
        ),
    ] = None,
    board: Annotated[
        str | None,
        typer.Option(
            metavar="BOARD",
            help="'chessboard:9x6:25 mm' (inner corners, side of a square) or "
            "'charuco:4x4_50:7x5:40 mm:30 mm' (dictionary, squares, sides of square and marker).",
            show_default=False,
        ),
    ] = None,
    window: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=50,
            metavar="N",
            help="Half side of the window that refines a chessboard corner, pixels.",
            show_default="a third of the distance to the next corner, 2 to 11",
        ),
    ] = None,
    square_pixels: Annotated[bool, typer.Option("--square-pixels", help="Hold fx = fy.")] = False,
    centred: Annotated[
        bool, typer.Option("--centred", help="Hold the principal point in the picture's middle.")
    ] = False,
    tangential: Annotated[bool, typer.Option(help="Fit tangential distortion, p1 and p2.")] = True,
    radial_terms: Annotated[
        int, typer.Option(min=0, max=3, help="Radial terms to fit: k1, k2 and k3.")
    ] = 3,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
    out: OutOption = DEFAULT_OUT,
) -> None:
    """Calibrate a camera from photographs of a flat board.

    Writes camera.toml, which 'sightbench measure' and bay files take; parameters with standard
    uncertainties (parameters.csv, .parquet); the views with their residuals (views.csv,
    .parquet); pictures of the residuals, of how the points cover the frame and of the views that
    stand out, and an overlay of each of these, or of the worst.

    Take a dozen pictures or more with the focus and aperture of later use. Tilt the board by 30
    to 50 degrees, to every side: pictures parallel to the sensor can't tell focal length from
    range. Bring corners of the board into the corners of the frame: beyond the outermost point
    the distortion is extrapolated. The standard uncertainties say how well the parameters are
    known if errors are independent and the board is flat.

    A view stands out when its residual is far above the others' (modified z-score of its
    logarithm above 3.5). It stays in the result; the summary says what leaving it out would
    change. The usual reasons are motion, a bent board, and a refinement window that reaches the
    neighbouring corners (--window).

    Without pictures this is a rehearsal: twelve pictures of a chessboard are rendered as the
    shipped bay's first camera sees it, saved, and calibrated like photographs.

    \b
    Examples:
      sightbench intrinsics
      sightbench intrinsics shots/*.png --board "chessboard:9x6:25 mm"
      sightbench intrinsics shots/ --board "charuco:4x4_50:7x5:40 mm:30 mm" --radial-terms 2
    """  # noqa: D301 - \b is typer's mark for lines to leave alone
    started = provenance.now()
    if images:
        if board is None:
            raise ConfigError("intrinsics: pictures need --board")
        paths, target = find_pictures(images), target_from_spec(board, BOARDS)
    else:
        if board is not None:
            raise ConfigError("intrinsics: --board needs pictures")
        paths, target = _rehearse(out)
    model = LensModel(square_pixels, centred, tangential, radial_terms)
    size, sightings = look(paths, target, board_detector(target, window), quiet)
    run = calibrate_from(sightings, size, model)
    make_directory(out)
    _write(out, paths, target, run)
    write_run(out, started, {"board": target.name, "pictures": len(paths), "free": model.free})
    for line in summary(run, target):
        typer.echo(line)
    typer.echo(f"wrote camera.toml, parameters, views and pictures of the residuals in {out}")


def look(
    paths: Sequence[Path], board: Target, detector: Detector, quiet: bool
) -> tuple[tuple[int, int], list[Sighting]]:
    """Return the pictures' common size and what was found in each.

    Raises
    ------
    PictureError
        A file can't be read, or is of another size than the first.
    """
    sightings = []
    size = (0, 0)
    with progress_bar("pictures", quiet) as progress:
        for done, path in enumerate(paths):
            picture = read_picture(path)
            width, height = picture.grey.shape[::-1]
            if done == 0:
                size = (width, height)
            elif (width, height) != size:
                raise PictureError(
                    f"{path}: is {width} x {height} px, but {paths[0]} is {size[0]} x {size[1]} "
                    "px; calibrate from pictures of one size"
                )
            sightings.append(look_for_board(path.name, picture, board, detector))
            progress(done + 1, len(paths))
    return size, sightings


def _write(out: Path, paths: Sequence[Path], board: Target, run: CalibrationRun) -> None:
    from bench.cameras.calibration_figures import (
        write_calibration_figures,  # matplotlib loads slowly
    )

    calibration = run.calibration
    uncertainties = {
        name: float(u)
        for name, u in zip(PARAMETERS, calibration.standard_uncertainties, strict=True)
        if u > 0.0
    }
    command = provenance.command_line()
    comment = f"Calibrated from {len(run.views)} pictures of a {board.name}.\n{command}"
    write_camera(out / "camera.toml", calibration.camera, uncertainties, comment)
    write_table(out, "parameters", parameters_table(run))
    write_table(out, "views", views_table(run), decimals=6)
    note = f"{board.name}; {command}"
    write_calibration_figures(out, run.views, calibration, note)
    _draw_views(out, paths, board, run, note)


def _draw_views(
    out: Path, paths: Sequence[Path], board: Target, run: CalibrationRun, note: str
) -> None:
    """Draw an overlay of each view that stands out, or of the one with the largest residual."""
    from bench.cameras.overlay import write_overlay

    used = [path for path, sighting in zip(paths, run.sightings, strict=True) if sighting.used]
    rmse = run.calibration.view_rmse_px
    for index in run.outstanding or [int(np.argmax(rmse))]:
        view, path = run.views[index], used[index]
        measurement = Measurement(
            str(path),
            "calibration",
            Observation(read_picture(path), run.calibration.camera, board),
            Detection(Found.FOUND, view.pixels, view.p_target),
            Estimate(Outcome.OK, run.calibration.poses[index], rmse_px=float(rmse[index])),
        )
        write_overlay(out / f"{path.stem}-overlay.png", [measurement], note)


def _rehearse(out: Path) -> tuple[list[Path], Target]:
    """Render pictures of a board; return them and the board."""
    bay = load_bay()
    tower = bay.towers[0]
    board = calibration_board()
    folder = out / "rehearsal"
    make_directory(folder)
    typer.echo(
        f"rehearsal: no pictures given, so {folder} gets rendered ones of a {board.name} as the "
        f"{tower.name} tower of {bay.name} sees it; its true focal length is "
        f"{tower.camera.fx:.2f} px"
    )
    paths = []
    views = calibration_views(tower.camera, board)
    for name, picture, _ in rehearse(views, board, tower.camera, tower.imaging, bay.survey.seed):
        paths.append(folder / f"{name}.png")
        write_atomically(paths[-1], cv2.imencode(".png", picture.grey)[1].tobytes())
    return paths, board
