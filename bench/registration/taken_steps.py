"""Steps of a registration with their cameras: from pictures, a table, or a rendered rehearsal."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.cameras.photograph_files import size_of
from bench.cameras.photograph_targets import KINDS, board_detector
from bench.digest import key_digest
from bench.errors import ConfigError
from bench.files import make_directory, write_atomically
from bench.geometry.camera import Camera
from bench.imaging.picture import png
from bench.imaging.read import find_pictures
from bench.registration.bar_views import cameras_of
from bench.registration.judgement import Judged, judge
from bench.registration.pictures import render_pictures, steps_from_pictures
from bench.registration.rehearsal import Errors, Faults, draw_scene
from bench.registration.sights import Cameras, End, Step
from bench.registration.table import measured_steps, pose_table, read_pose_table
from bench.scene.bar import BarPose
from bench.scene.camera_file import read_camera, write_camera
from bench.scene.model import Bay
from bench.solve.default_pipeline import default_pipeline
from bench.solve.ippe import IppeLmSolver
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.targets.spec import target_from_spec
from bench.targets.target import Target
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class TakenSteps:
    """Steps with the cameras that belong to them.

    Attributes
    ----------
    steps : tuple of Step
        What was seen.
    cameras : Cameras
        Of the towers.
    has_bar : bool
        Whether it is the bay's bar, or one board that both towers see.
    """

    steps: tuple[Step, ...]
    cameras: Cameras
    has_bar: bool = True

    def length(self, bay: Bay, size: float) -> tuple[float, float] | None:
        """Return the bar's calibrated length and its standard uncertainty, if it has one.

        What the towers measure goes with the targets' size; its relative standard uncertainty
        `size` counts as if it were the length's, which to first order is the same.
        """
        bar = bay.bar
        if bar.length_uncertainty is None or not self.has_bar:
            return None
        return bar.length, math.hypot(bar.length_uncertainty, size * bar.length)


def from_table(path: Path) -> TakenSteps:
    """Return the steps of a table of measured poses."""
    return TakenSteps(read_pose_table(path), Cameras())


def from_the_pictures(
    left: Sequence[str] | None,
    right: Sequence[str] | None,
    left_camera: Path | Camera | None,
    right_camera: Path | Camera | None,
    bay: Bay,
    board: str | None,
    pipeline: str | None = None,
    moved: Callable[[int, int], None] | None = None,
) -> TakenSteps:
    """Return what a detector finds in pairs of pictures.

    Parameters
    ----------
    left, right : sequence of str
        Each tower's pictures: files, folders or wild cards; one picture a step, in order.
    left_camera, right_camera : Path or Camera
        Camera files, or calibrated cameras.
    bay : Bay
        Whose bar it is.
    board : str or None
        What both towers see instead of a bar.
    pipeline : str, optional
        Looks for targets; the usual one for their kind by default.
    moved : function of done and total, optional
        Called as it goes.

    Raises
    ------
    ConfigError
        Something is missing.
    PictureError
        A picture can't be read, or isn't of its camera's size.
    """
    if not left or not right or left_camera is None or right_camera is None:
        raise ConfigError(
            "register: pictures need --left, --right, --left-camera and --right-camera"
        )
    paths = (find_pictures(left), find_pictures(right))
    sizes = [size_of(found[0]) for found in paths]
    given = zip((left_camera, right_camera), sizes, strict=True)
    cameras = Cameras(
        *(one if isinstance(one, Camera) else read_camera(one, size) for one, size in given)
    )
    targets: dict[End, Target] = {"A": bay.bar.target_a, "B": bay.bar.target_b}
    if board is not None:
        target = target_from_spec(board, ("chessboard", *KINDS))
        targets = {"A": target}
    runs = [_pipeline(target, pipeline) for target in targets.values()]
    steps = steps_from_pictures(paths[0], paths[1], cameras, targets, runs[0], moved)
    return TakenSteps(steps, cameras, board is None)


def render_rehearsal(
    bay: Bay,
    poses: Sequence[BarPose],
    errors: Errors,
    folder: Path,
    seed: int | None,
    moved: Callable[[int, int], None],
) -> None:
    """Render one rehearsal's pictures and save them with camera files.

    Parameters
    ----------
    bay : Bay
        Whose towers and bar.
    poses : sequence of BarPose
        A step each.
    errors : Errors
        Drawn once, as on site.
    folder : Path
        Where to write.
    seed : int or None
        The bay's own by default.
    moved : function of done and total
        Called as it goes.

    Raises
    ------
    RunError
        A file can't be written.
    """
    seed = bay.survey.seed if seed is None else seed
    rng = np.random.default_rng(
        np.random.SeedSequence([seed, key_digest("registration pictures")])
    )
    make_directory(folder)
    scene = draw_scene(bay, poses, errors, Faults(), rng)
    total = 2 * len(poses)
    for done, (name, picture) in enumerate(render_pictures(bay, scene, rng)):
        write_atomically(folder / f"{name}.png", png(picture.grey))
        moved(done + 1, total)
    cameras = cameras_of(bay)
    for side in ("left", "right"):
        comment = f"{bay.name}, {side} tower, as believed"
        write_camera(folder / f"{side}-camera.toml", cameras.of(side), comment=comment)


def from_rehearsal(bay: Bay, folder: Path, moved: Callable[[int, int], None]) -> TakenSteps:
    """Find the targets in what `render_rehearsal` saved; write their poses as a table there."""
    taken = from_the_pictures(
        [str(folder / "left[0-9]*.png")],
        [str(folder / "right[0-9]*.png")],
        folder / "left-camera.toml",
        folder / "right-camera.toml",
        bay,
        None,
        moved=moved,
    )
    table = pose_table(measured_steps(taken.steps, taken.cameras))
    write_atomically(folder / "poses.csv", table.encode())
    return taken


def judge_taken(
    taken: TakenSteps,
    bay: Bay,
    planned: Sequence[BarPose] | None,
    errors: Errors,
    calibrated: Mapping[str, Array] | None = None,
) -> Judged:
    """Register and judge; the errors are those of sizes and cameras.

    `calibrated` has the modes (9, K) of a camera's errors that its calibration found, by side,
    in place of those that `errors` assumes.
    """
    causes = errors.causes(taken.cameras)
    causes = replace(causes, cameras={**causes.cameras, **(calibrated or {})})
    return judge(taken.steps, taken.cameras, bay, taken.length(bay, errors.size), planned, causes)


def _pipeline(target: Target, name: str | None) -> Pipeline:
    """Return the named pipeline, or the target's usual one; refuse one that can't look for it."""
    if target.kind == "chessboard":
        if name is not None:
            raise ConfigError("register: --pipeline isn't for plain chessboards")
        return Pipeline(board_detector(target, None), IppeLmSolver())
    pipeline = pipeline_from_name(name or default_pipeline(target))
    reason = pipeline.refusal(target)
    if reason:
        raise ConfigError(reason)
    return pipeline
