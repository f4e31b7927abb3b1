"""`sightbench register solve`: the transform between two towers from what was seen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import (
    BayOption,
    OutOption,
    QuietOption,
    centre_option,
    fraction,
    option,
    percent_option,
    poses_option,
)
from bench.cli.origin import origin_of
from bench.cli.progress import progress_bar
from bench.cli.saying import say
from bench.defaults import BY_TARGET
from bench.errors import ConfigError
from bench.files import settle

if TYPE_CHECKING:
    from bench.registration.rehearsal import Errors
    from bench.registration.taken_steps import TakenSteps
    from bench.scene.bar import BarPose
    from bench.scene.model import Bay

DEFAULT_OUT = Path("sightbench-register")
NEGATIVE = 1


def solve_command(
    left: Annotated[
        list[str] | None,
        option(
            "IMAGES",
            "The left tower's pictures: a file, folder or wild card; one a step, in order.",
        ),
    ] = None,
    right: Annotated[list[str] | None, option("IMAGES", "The right tower's.")] = None,
    left_camera: Annotated[Path | None, option("CAMERA", "Camera file of the left tower.")] = None,
    right_camera: Annotated[Path | None, option("CAMERA", "Camera file of the right one.")] = None,
    left_calibration: Annotated[
        Path | None,
        option(
            "calibration.json",
            "Instead of its camera file: the left tower's camera as 'sightbench intrinsics' "
            "found it, with what isn't known of it.",
        ),
    ] = None,
    right_calibration: Annotated[
        Path | None, option("calibration.json", "The right one's likewise.")
    ] = None,
    table: Annotated[
        Path | None,
        option(
            "POSES.csv",
            "Measured poses instead of pictures: a row for each bar pose, tower and target.",
        ),
    ] = None,
    bay: BayOption = None,
    board: Annotated[
        str | None,
        option("BOARD", "No bar: both towers see one board, such as 'chessboard:9x6:30 mm'."),
    ] = None,
    pipeline: Annotated[
        str | None, option("DETECTOR/SOLVER", "Which pipeline looks at pictures.", BY_TARGET)
    ] = None,
    size_uncertainty: Annotated[
        float | None,
        percent_option(
            "Standard uncertainty of each target's size, which a length of the bar has too."
        ),
    ] = None,
    focal_uncertainty: Annotated[
        float | None, percent_option("Of each camera's focal length; counts with pictures.")
    ] = None,
    centre_uncertainty: Annotated[
        float | None,
        centre_option("Of each camera's principal point, each coordinate; counts with pictures."),
    ] = None,
    poses: Annotated[
        Path | None,
        poses_option(
            "What was planned: tells of a bar set up otherwise and of swapped targets.", False
        ),
    ] = None,
    quiet: QuietOption = False,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Compute the transform between two towers from pictures or from measured poses.

    Each step has one picture of each tower, sorted by name. The bar's targets are those of the
    bay file. Written are registration.json with the transform, its covariance and the bar's own,
    and the residual checks. The covariance holds noise, and
    what errors of cameras and target sizes add, which more steps don't average out; with a table,
    the cameras' share must be in its own uncertainties. Part of that share cancels again where
    the same cameras measure wheels, so that it errs on the safe side: 'sightbench budget' takes
    both together.

    Checks ask whether a target slipped between steps, whether target sizes go together, whether
    the bar bends, and whether a step or target stands out; what errors of cameras and sizes can
    explain isn't held against them. Those of aspect and distortion are the bay file's
    [budget]; of a calibrated camera (--left-calibration) all are what its calibration found. A
    calibrated length of the bar that the pictures contradict is refused. No residual can tell
    that the bar stood otherwise than planned: give --poses for that.

    The table's columns are pose, tower (left or right), target (A or B), the rotation vector
    rx_deg, ry_deg, rz_deg and position x_mm, y_mm, z_mm of the target in the camera, their
    standard uncertainties u_rx_deg to u_z_mm (rotation about the target's own axes) and, if you
    have them, correlations c_12 to c_56.

    Without pictures or table this is a rehearsal: pictures are rendered, saved and solved.

    \b
    Examples:
      sightbench register solve
      sightbench register solve --left "shots/left*.png" --right "shots/right*.png" \\
          --left-camera left.toml --right-camera right.toml --bay my-bay.toml
      sightbench register solve --table poses.csv --poses plan.toml
      sightbench register solve --left l/ --right r/ --left-camera l.yml --right-camera r.yml \\
          --board "chessboard:9x6:30 mm"
    """  # noqa: D301
    from bench.cameras.result import read_calibration
    from bench.registration.files import write_judged
    from bench.registration.plan import default_sequence
    from bench.registration.rehearsal import Errors
    from bench.registration.taken_steps import from_table, from_the_pictures, judge_taken
    from bench.scene.bar_section import read_poses
    from bench.scene.load import load_bay
    from bench.scene.parts import bay_parts
    from bench.solve.response import calibrated_errors

    place = load_bay(bay)
    planned = None if poses is None else read_poses(poses)
    errors = Errors.assumed(
        place.budget, fraction(size_uncertainty), fraction(focal_uncertainty), centre_uncertainty
    )
    found = {
        side: read_calibration(path)
        for side, path in (("left", left_calibration), ("right", right_calibration))
        if path is not None
    }
    for side, file in (("left", left_camera), ("right", right_camera)):
        if side in found and file is not None:
            raise ConfigError(f"--{side}-calibration: has a camera; leave out --{side}-camera")
    cameras = (
        found["left"][1] if "left" in found else left_camera,
        found["right"][1] if "right" in found else right_camera,
    )
    if found and not (left and right):
        raise ConfigError("register: calibrations go with --left and --right pictures")
    if table is not None:
        if left or right or board:
            raise ConfigError("register: give either --table or pictures, not both")
        taken = from_table(table)
    elif left or right:
        with progress_bar("pictures", quiet) as moved:
            taken = from_the_pictures(left, right, *cameras, place, board, pipeline, moved)
    else:
        if any(cameras) or board or pipeline:
            raise ConfigError(
                "register: cameras, --board and --pipeline need --left and --right pictures"
            )
        sequence = default_sequence(place) if planned is None else planned
        typer.echo(f"rehearsal: no pictures given, so {out / 'rehearsal'} gets rendered ones")
        taken = rehearsed(place, sequence, errors, out / "rehearsal", None, quiet)
        planned = sequence
    if planned is not None and len(planned) != len(taken.steps):
        raise ConfigError(
            f"{poses}: has {len(planned)} bar poses, but there are {len(taken.steps)} steps"
        )
    known = {
        side: calibrated_errors(result.value.matrix, str(result.path)).modes
        for side, (result, _) in found.items()
    }
    judged = judge_taken(taken, place, planned, errors, known)
    # of the bay only the bar matters: cameras are those of the pictures
    parts = {"bar": bay_parts(place)["bar"]} if taken.has_bar else {}
    parts |= {f"{side} calibration": result.digest for side, (result, _) in found.items()}
    write_judged(out, judged, origin_of(place, place.survey.seed, parts))
    say(judged.words())
    typer.echo(f"wrote registration.json, checks and a picture of residuals in {out}")
    return 0 if judged.is_clean else NEGATIVE


def rehearsed(
    place: Bay,
    sequence: Sequence[BarPose],
    errors: Errors,
    folder: Path,
    seed: int | None,
    quiet: bool,
) -> TakenSteps:
    """Render one rehearsal's pictures, save them with camera files, and find the targets."""
    from bench.registration.taken_steps import from_rehearsal, render_rehearsal

    with progress_bar("rendering", quiet) as moved:
        render_rehearsal(place, sequence, errors, folder, seed, moved)
    settle()  # pictures are looked for by name
    with progress_bar("pictures", quiet) as moved:
        return from_rehearsal(place, folder, moved)
