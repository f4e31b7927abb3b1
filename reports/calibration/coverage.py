"""Rendered calibrations with correlated corner errors, and what their claims cover.

Each has twelve pictures whose poses, blur, motion, noise and bend are its own, found and fitted as
`sightbench intrinsics` does: by the fullest model, whose claims it makes, or by the one that views
left out choose. The bend that all pictures share is the board's, which the fit may find. That of
one picture alone is the hand's: it moves a view's corners together, so that errors within a view
aren't independent, and no model has it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.cameras.adjustment import BoardView, State, adjust
from bench.cameras.board_search import DETECTORS
from bench.cameras.calibration import Sighting, calibrate_from, look_for_board
from bench.cameras.intrinsics import (
    SHAPE_NAMES,
    SHAPES,
    Calibration,
    LensModel,
    calibrate,
)
from bench.cameras.lenses import predict
from bench.cameras.model_choice import Freedom
from bench.cameras.projection_uncertainty import projected_covariance
from bench.cameras.rehearsal import calibration_board
from bench.digest import key_digest
from bench.errors import BenchError
from bench.geometry.camera import Camera, project, ray
from bench.geometry.lens_models import BROWN, FISHEYE
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.render.planar import full_frame, render_target
from bench.targets.bend import Bend, bend_modes
from bench.targets.target import Target
from bench.typing import Array

SIZE = (640, 480)
LENSES = {
    BROWN: Camera(*SIZE, 650.0, 650.0, 322.0, 237.0, (-0.22, 0.08, 4e-4, -3e-4, 0.0)),
    FISHEYE: Camera(
        *SIZE, 330.0, 330.0, 322.0, 237.0, (0.03, -0.01, 0.0, 0.0, 0.0), None, FISHEYE, (0.0,)
    ),
}
VIEWS = 12
BOARD_BEND = Bend(across=6e-4, up=-4e-4)  # m at the plate's corners
VIEW_BEND = 2e-4  # m, standard deviation of each of a view's own three sizes
# Where projected points are judged: over the frame, at the boards' range and far away.
COLUMNS, ROWS = 8, 6
FAR = 1000.0


@dataclass(frozen=True, eq=False)
class Judged:
    """A calibration's errors and claims.

    Attributes
    ----------
    names : tuple of str
        Of lens and board.
    error, uncertainty : (P,) float64
        Estimate less truth, and its standard uncertainty.
    missed_px, claimed_px : (K, 2) float64
        Of points over the frame at the boards' range, then far away.
    widening : float
        What views left out multiplied the claims by.
    """

    names: tuple[str, ...]
    error: Array
    uncertainty: Array
    missed_px: Array
    claimed_px: Array
    widening: float


def view_of(camera: Camera, board: Target, index: int, rng: np.random.Generator) -> View:
    """Return how one board is held: every part of the frame in turn, tilted to every side."""
    column, row = index % 4, index // 4
    pixel = (
        camera.width * (0.2 + 0.2 * column + rng.uniform(-0.04, 0.04)),
        camera.height * (0.25 + 0.25 * row + rng.uniform(-0.04, 0.04)),
    )
    tilt, way = np.radians(rng.uniform(15.0, 45.0)), rng.uniform(0.0, 2.0 * np.pi)
    nearest = camera.fx * board.drawing.width / (0.45 * camera.width)
    return View(
        float(nearest * rng.uniform(1.0, 1.4)),
        turn=float(tilt * np.cos(way)),
        pitch=float(tilt * np.sin(way)),
        roll=float(rng.uniform(-0.5, 0.5)),
        pixel=pixel,
    )


def sightings_of(
    camera: Camera, board: Target, rng: np.random.Generator
) -> tuple[list[Sighting], list[Pose]]:
    """Render pictures and look for the board; return the sightings that are used, true poses."""
    sightings: list[Sighting] = []
    poses: list[Pose] = []
    size = (board.drawing.width, board.drawing.height)
    while len(sightings) < VIEWS:
        pose = pose_of_view(view_of(camera, board, len(sightings), rng), camera)
        own = VIEW_BEND * rng.standard_normal(3)
        bend = Bend(BOARD_BEND.across + own[0], BOARD_BEND.up + own[1], own[2])
        bend.check(*size)
        held = replace(board, drawing=replace(board.drawing, bend=bend))
        motion = rng.normal(0.0, 0.5, 2)
        imaging = Imaging(
            Optics(sigma_px=float(rng.uniform(0.5, 1.0)), motion_px=(motion[0], motion[1]))
        )
        try:
            picture = render_target(held, pose, camera, imaging, rng, full_frame(camera))
        except BenchError:  # the board leaves the frame's side of the lens
            continue
        name = f"view {len(sightings)}"
        sighting = look_for_board(name, picture, board, DETECTORS["chessboard"])
        if not sighting.used:
            continue
        sightings.append(_upright(sighting, pose, camera))
        poses.append(pose)
    return sightings, poses


def _upright(sighting: Sighting, pose: Pose, camera: Camera) -> Sighting:
    """Return a sighting whose points are counted as the true pose has them.

    A chessboard doesn't tell which way up it is: a fit takes either, its bow doesn't change, and
    only the comparison with the true pose does.
    """
    view = sighting.view
    off = [
        float(np.abs(pixels - project(view.p_target, pose, camera)).max())
        for pixels in (view.pixels, view.pixels[::-1])
    ]
    if off[0] <= off[1]:
        return sighting
    return replace(sighting, view=replace(view, pixels=view.pixels[::-1]))


def frame_points(camera: Camera, range_m: float) -> Array:
    """Return points (K, 3) whose images lie over the frame, at the boards' range and far away."""
    u = np.linspace(0.05, 0.95, COLUMNS) * camera.width
    v = np.linspace(0.05, 0.95, ROWS) * camera.height
    rays = ray(np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2), camera)
    return np.vstack((range_m * rays, FAR * range_m * rays))


def judge(found: Calibration, poses: Sequence[Pose], camera: Camera, board: Target) -> Judged:
    """Hold a calibration against the camera that took its pictures."""
    flat = np.column_stack((board.points, np.zeros(len(board.points))))
    size = (board.drawing.width, board.drawing.height)
    bend = np.array([BOARD_BEND.across, BOARD_BEND.up, BOARD_BEND.twist])
    # sizes are those of the plate's corners there, of the outermost points here
    share = np.ptp(board.points, axis=0) / np.array(size)
    shape = bend * np.array([share[0] ** 2, share[1] ** 2, share[0] * share[1]])
    n = len(found.shape)
    true = np.array([camera.fx, camera.fy, camera.cx, camera.cy, *camera.distortion, *camera.more])
    points = frame_points(camera, float(np.median([np.linalg.norm(p.translation) for p in poses])))
    bent = flat + np.outer(bend_modes(board.points, *size) @ bend, (0.0, 0.0, 1.0))
    moved = np.zeros_like(points)
    for pose in poses:
        view = BoardView("exact", project(bent, pose, camera), bent_as_found(found, flat))
        held = State(camera.model, found.values, np.zeros((len(true), 0)), (pose,))
        moved += adjust([view], held)[0].poses[0] @ (pose.inverse() @ points) / len(poses)
    missed = predict(camera.model, found.values, moved)[0] - project(points, IDENTITY, camera)
    covariance = projected_covariance(found, points)
    return Judged(
        (*found.names, *SHAPE_NAMES[:n]),
        np.concatenate((found.values - true, found.shape - shape[:n])),
        np.concatenate((found.standard_uncertainties, found.shape_uncertainties)),
        missed,
        np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)),
        found.widening,
    )


IDENTITY = Pose(np.eye(3), np.zeros(3))


def bent_as_found(found: Calibration, flat: Array) -> Array:
    """Return the board's points (N, 3) as a calibration has them."""
    across, up = (2.0 * np.max(np.abs(flat[:, :2]), axis=0)).tolist()
    height = bend_modes(flat[:, :2], across, up)[:, : len(found.shape)] @ found.shape
    return flat + np.outer(height, (0.0, 0.0, 1.0))


def calibrated(lens: str, seed: int, chosen: bool = False) -> Judged:
    """Return one rendered calibration, judged; its pictures follow from lens and seed."""
    camera, board = LENSES[lens], calibration_board()
    rng = np.random.default_rng(np.random.SeedSequence([key_digest(f"coverage {lens}"), seed]))
    sightings, poses = sightings_of(camera, board, rng)
    if chosen:
        found = calibrate_from(sightings, SIZE, Freedom(family=lens)).calibration
    else:
        found = calibrate([s.view for s in sightings], SIZE, LensModel(family=lens), SHAPES[-1])
    return judge(found, poses, camera, board)
