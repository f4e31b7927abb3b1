"""Pictures to rehearse with where there are no photographs: rendered, with known truth."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from bench.digest import key_digest
from bench.files import make_directory, write_atomically
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture, png
from bench.render.planar import full_frame, render_target
from bench.targets.chessboard import ChessboardDesign, build_chessboard
from bench.targets.target import Target


def rehearse(
    views: Mapping[str, View], target: Target, camera: Camera, imaging: Imaging, seed: int
) -> Iterator[tuple[str, Picture, Pose]]:
    """Yield the name, full frame and true pose of each view.

    Parameters
    ----------
    views : mapping of str to View
        How the target is held, by the picture's name.
    target, camera, imaging : Target, Camera, Imaging
        What is seen, and by what.
    seed : int
        Of the sensor's noise.
    """
    for name, view in views.items():
        pose = pose_of_view(view, camera)
        rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest(name)]))
        yield name, render_target(target, pose, camera, imaging, rng, full_frame(camera)), pose


def write_rehearsal(
    folder: Path,
    views: Mapping[str, View],
    target: Target,
    camera: Camera,
    imaging: Imaging,
    seed: int,
) -> list[Path]:
    """Write the frames of `rehearse` as PNG and return them.

    Raises
    ------
    RunError
        A file can't be written.
    """
    make_directory(folder)
    paths = []
    for name, picture, _ in rehearse(views, target, camera, imaging, seed):
        paths.append(folder / f"{name}.png")
        write_atomically(paths[-1], png(picture.grey))
    return paths


def measuring_views() -> dict[str, View]:
    """Return six ways to hold a target, near to far, gently and steeply turned."""
    return {
        f"range-{distance}m-turn-{turn}deg": View(
            float(distance), turn=np.radians(turn), pitch=0.1, roll=0.05
        )
        for distance in (3, 5, 8)
        for turn in (20, 50)
    }


def calibration_board() -> Target:
    """Return a chessboard of 9 x 6 inner corners that suits `calibration_views`."""
    return build_chessboard(ChessboardDesign(columns=9, rows=6, square=0.03))


def calibration_views(camera: Camera, board: Target) -> dict[str, View]:
    """Return twelve ways to hold a board: in each part of the frame, to every side.

    At the range chosen it covers a third of the frame's width, so that four places reach the
    frame's corners and tilts of 30 degrees and more separate focal length from range.
    """
    distance = camera.fx * board.drawing.width / (0.42 * camera.width)
    turns = [(35, 10), (-35, 10), (10, 35), (-10, -35), (30, 30), (-30, 30)]
    places = [(0.27, 0.27), (0.73, 0.27), (0.27, 0.73), (0.73, 0.73), (0.5, 0.5), (0.5, 0.35)]
    return {
        f"board-{i + 1:02d}": View(
            distance * (1.0 if i % 6 < 4 else 0.75),
            turn=np.radians(turns[(i + i // 6) % 6][0]),
            pitch=np.radians(turns[(i + i // 6) % 6][1]),
            roll=np.radians(20.0 * (i // 6)),
            pixel=(places[i % 6][0] * camera.width, places[i % 6][1] * camera.height),
        )
        for i in range(12)
    }
