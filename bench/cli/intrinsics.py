"""`sightbench intrinsics`: a camera's intrinsics from photographs of a board."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from bench.cli.options import OutOption, QuietOption, option
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar, say_large
from bench.cli.saying import say
from bench.errors import ConfigError
from bench.files import make_directory

if TYPE_CHECKING:
    from bench.cameras.calibration import Sighting
    from bench.targets.target import Target

DEFAULT_OUT = Path("sightbench-intrinsics")
Lens = Literal["brown-conrady", "rational", "fisheye"]
Shape = Literal["flat", "bow", "twist"]
MOST_SIDE = 1_000_000  # px, as of a camera in a result


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
        list[str] | None,
        option(
            "BOARD",
            "'chessboard:9x6:25 mm' (inner corners, side of a square), "
            "'charuco:4x4_50:7x5:40 mm:30 mm' (dictionary, squares, sides of square and marker) "
            "or 'circles:4x11:20 mm:15 mm' (pitch, diameter; ':symmetric' where it is). May be "
            "given several times: all are looked for in each picture.",
        ),
    ] = None,
    points: Annotated[
        Path | None,
        option("TABLE.csv", "Points in place of pictures: picture, u_px, v_px, x_mm, y_mm."),
    ] = None,
    frame: Annotated[
        str | None, option("WIDTHxHEIGHT", "Of the pictures of --points, pixels.")
    ] = None,
    window: Annotated[
        int | None,
        option(
            "N",
            "Half side of the window that refines a chessboard corner, pixels.",
            "a third of the distance to the next corner, 2 to 11",
            min=1,
            max=50,
        ),
    ] = None,
    corners: Annotated[
        str | None,
        option(
            "DETECTOR",
            "Of chessboards: chessboard (OpenCV's) or chess-corners, where it is installed.",
            "chessboard",
        ),
    ] = None,
    lens: Annotated[
        Lens | None,
        option(
            "MODEL",
            "brown-conrady, rational or fisheye.",
            "brown-conrady, unless only another describes the pictures",
        ),
    ] = None,
    square_pixels: Annotated[
        bool | None, typer.Option(help="Hold fx = fy.", show_default="chosen by held-out views")
    ] = None,
    centred: Annotated[
        bool, typer.Option("--centred", help="Hold the principal point in the picture's middle.")
    ] = False,
    tangential: Annotated[
        bool | None,
        typer.Option(
            help="Fit tangential distortion, p1 and p2.", show_default="chosen by held-out views"
        ),
    ] = None,
    radial_terms: Annotated[
        int | None,
        typer.Option(
            min=0,
            max=3,
            help="Radial terms to fit: k1, k2 and k3.",
            show_default="chosen by held-out views",
        ),
    ] = None,
    board_shape: Annotated[
        Shape | None,
        option(
            "SHAPE",
            "Of the board: flat, bow (across and up) or twist (these and a twist).",
            "chosen by held-out views",
        ),
    ] = None,
    earlier: Annotated[
        Path | None,
        option(
            "calibration.json",
            "An earlier calibration of this camera, from other pictures: has it changed?",
        ),
    ] = None,
    quiet: QuietOption = False,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Calibrate a camera from photographs of a board.

    Writes camera.toml, which 'sightbench measure' and bay files take; parameters with standard
    uncertainties (parameters.csv, .parquet); the views with their residuals (views.csv,
    .parquet); pictures of the residuals, of how the points cover the frame and of the views that
    stand out, and an overlay of each of these, or of the worst.

    Take a dozen pictures or more with the focus and aperture of later use. Tilt the board by 30
    to 50 degrees, to every side: pictures parallel to the sensor can't tell focal length from
    range. Bring corners of the board into the corners of the frame: beyond the outermost point
    the distortion is extrapolated.

    Lens model and board shape are the simplest that predict views left out as well as the best
    does (models.csv has what was compared); options hold what you know better. A number held by
    that choice isn't known to be 0: uncertainties are those of the fullest model, around the
    values of the simplest. Where errors
    within a view aren't independent, leaving out one view at a time says so, and all standard
    uncertainties are wider by it. How well a point anywhere in the picture is known, at the
    boards' ranges and far beyond, is a map (projection.csv, calibration_uncertainty.png).
    Wide lenses: where OpenCV's rational or fisheye model predicts better beyond doubt it is
    named; calibrate with it by --lens.

    With --earlier the change since another calibration is drawn with its significance, less the
    turn of the camera that a lens can't be told from. Exit code 1: it has changed (p < 0.001).

    ChArUco boards in the layout that OpenCV drew before 4.6 and circles light on dark are read and
    said so. Of pictures without the board the likely reason is named.

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
    from bench.cameras.calibration import calibrate_from
    from bench.cameras.calibration_change import change_between, change_words
    from bench.cameras.calibration_files import write_calibration
    from bench.cameras.calibration_words import summary
    from bench.cameras.model_choice import SHAPE_OPTIONS, Freedom
    from bench.cameras.result import read_calibration
    from bench.geometry.lens_models import BROWN, FISHEYE

    shape = None if board_shape is None else SHAPE_OPTIONS[board_shape]
    freedom = Freedom(square_pixels, tangential, radial_terms, shape, centred, lens or BROWN)
    if freedom.family != BROWN and radial_terms is not None:
        raise ConfigError(f"--radial-terms is of brown-conrady; all of {lens} are fitted")
    if freedom.family == FISHEYE and tangential:
        raise ConfigError("--tangential: a fisheye lens has no tangential distortion")
    before = None if earlier is None else read_calibration(earlier)
    seen = _seen(images, board, points, frame, (window, corners), quiet, out)
    if len(seen.boards) > 1:
        if board_shape not in (None, "flat"):
            raise ConfigError("--board-shape: several boards have no shape in common")
        freedom = replace(freedom, shape=0)
    run = calibrate_from(seen.sightings, seen.size, freedom)
    change = None
    if before is not None:
        was = (before[1], before[0].value.matrix)
        change = change_between(was, (run.calibration.camera, run.calibration.covariance))
    make_directory(out)
    parts = seen.digests
    if before is not None:
        parts["earlier calibration"] = before[0].digest
    write_calibration(out, seen.shown, seen.name, run, origin_of(parts=parts), change)
    if change is not None:
        say(change_words(change, str(earlier)))
    say(summary(run, seen.name))
    typer.echo(
        "wrote camera.toml, calibration.json, parameters, views and pictures of the residuals in "
        f"{out}"
    )
    return 1 if change is not None and change.shown else 0


@dataclass(frozen=True, eq=False)
class _Seen:
    """What a calibration starts from: sightings, the boards' names and digests, the pictures."""

    sightings: list[Sighting]
    size: tuple[int, int]
    boards: tuple[str, ...]
    digests: dict[str, str]
    shown: dict[str, tuple[Path, Target]]

    @property
    def name(self) -> str:
        return " and ".join(self.boards)


def _seen(
    images: list[str] | None,
    board: list[str] | None,
    points: Path | None,
    frame: str | None,
    refined: tuple[int | None, str | None],
    quiet: bool,
    out: Path,
) -> _Seen:
    """Look for boards; chessboards' corners by a window or a detector of that name."""
    from bench.cameras.calibration_files import write_rehearsed_boards
    from bench.cameras.calibration_pictures import look_for_boards, read_points
    from bench.cameras.photograph_targets import BOARDS, board_detector
    from bench.digest import content_digest
    from bench.imaging.read import find_pictures
    from bench.targets.spec import layout_of, target_from_spec

    if points is not None:
        if images or board or any(one is not None for one in refined):
            raise ConfigError(
                "intrinsics: --points stands in place of pictures, --board, --window, --corners"
            )
        if frame is None:
            raise ConfigError('intrinsics: --points needs --frame, such as "1280x960"')
        width, height = layout_of(frame)
        if not (0 < width <= MOST_SIDE and 0 < height <= MOST_SIDE):
            raise ConfigError(f"--frame must be 1 to {MOST_SIDE} px a side, got '{frame}'")
        sightings = read_points(points)
        found = tuple((s.view.name, s.view.pixels, s.view.p_target) for s in sightings)
        digests = {"points": content_digest(found)}
        return _Seen(sightings, (width, height), (f"points of {points.name}",), digests, {})
    if frame is not None:
        raise ConfigError("intrinsics: --frame is for --points; pictures have their own size")
    if images:
        if not board:
            raise ConfigError("intrinsics: pictures need --board")
        paths, targets = find_pictures(images), [target_from_spec(b, BOARDS) for b in board]
    else:
        if board:
            raise ConfigError("intrinsics: --board needs pictures")
        paths, target = write_rehearsed_boards(out, typer.echo)
        targets = [target]
    say_large(paths)
    boards = [(target, board_detector(target, *refined)) for target in targets]
    with progress_bar("pictures", quiet) as moved:
        size, sightings = look_for_boards(paths, boards, moved)
    names = tuple(target.name for target in targets)
    if len(set(names)) < len(names):
        raise ConfigError(f"--board: {names[0]} is given twice")
    digests = {
        "board" if k == 0 else f"board {k + 1}": content_digest(target)
        for k, target in enumerate(targets)
    }
    shown = {
        path.name if len(targets) == 1 else f"{path.name}, {target.name}": (path, target)
        for path in paths
        for target in targets
    }
    return _Seen(sightings, size, names, digests, shown)
