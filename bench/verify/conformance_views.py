"""Exact pictures to judge a pipeline's conventions by, with the truth beside each."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from bench.detect.observation import Observation
from bench.errors import TargetError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, noise_free
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor, expose
from bench.render.planar import MARGIN_PX, full_frame
from bench.targets.design import MarkerDesign, build_target
from bench.targets.target import Target
from bench.typing import Array, GreyImage

# One place each eighth of a pixel, so that what depends on the pixel grid shows.
N_PLAIN = 8
# Turn and pitch, degrees: steep enough that no two frames look alike, and every detector sees.
TILTS_DEG = ((25.0, 10.0), (-25.0, 15.0), (15.0, -25.0), (-10.0, -20.0))
ROLL_DEG = 12.0
# Of the pattern's longer side, face on: a square board still fits at every place used here.
MARKER_PX, BOARD_PX = 180.0, 260.0

PLAIN = Camera(800, 600, 1000.0, 1000.0, 399.5, 299.5)
# Everything that an adapter may leave out is large here: distortion moves corners by tens of
# pixels, the focal lengths differ by 5 %, the principal point is far from the middle.
LENS = Camera(800, 600, 900.0, 855.0, 470.0, 255.0, (-0.28, 0.09, 0.004, -0.003, 0.0))


@dataclass(frozen=True, eq=False)
class Shown:
    """A picture and the target's true pose in it."""

    observation: Observation
    T_camera_target_true: Pose

    def pixels_true(self, p_target: Array) -> Array:
        """Return where points (N, 3) of the target are, sensor pixels (N, 2)."""
        return project(p_target, self.T_camera_target_true, self.observation.camera)


def plain_views(target: Target) -> list[Shown]:
    """Return full frames through a lens without distortion, at every eighth of a pixel."""
    return [show(target, PLAIN, plain_pose(target, k)) for k in range(N_PLAIN)]


def plain_pose(target: Target, k: int) -> Pose:
    """Return the true pose of the k-th plain view, away from the picture's middle."""
    pixel = (430.0 + k / N_PLAIN, 270.0 + (3 * k % N_PLAIN) / N_PLAIN)
    return _pose(target, PLAIN, pixel, TILTS_DEG[k % len(TILTS_DEG)])


def lens_views(target: Target) -> list[Shown]:
    """Return parts of frames near the corners of a lens with strong distortion."""
    views = []
    for k, pixel in enumerate(((190.0, 175.0), (200.0, 420.0))):
        pose = _pose(target, LENS, pixel, TILTS_DEG[k])
        region = region_of(target.drawing, pose, LENS, MARGIN_PX)
        views.append(show(target, LENS, pose, region=region))
    return views


def deep_views(target: Target) -> dict[int, Shown]:
    """Return the first plain view as sensors of 12 and 16 bits give it."""
    pose = plain_pose(target, 0)
    return {
        bits: show(target, PLAIN, pose, Imaging(sensor=Sensor(bit_depth=bits)))
        for bits in (12, 16)
    }


def foreign_views(target: Target) -> tuple[Shown, Shown] | None:
    """Return a frame with another id alone, and one with both; None unless a single marker.

    The target asked for is always `target`.
    """
    other = _neighbour(target) if target.kind == "marker" else None
    if other is None:
        return None
    left, right = (
        _pose(target, PLAIN, pixel, TILTS_DEG[0]) for pixel in ((220.3, 290.6), (570.2, 300.4))
    )
    alone = show(other, PLAIN, right)
    own = show(target, PLAIN, left)
    grey = own.observation.picture.grey.copy()
    half = grey.shape[1] // 2  # both stand on the same background
    grey[:, half:] = alone.observation.picture.grey[:, half:]
    return _asking(alone, target), _with_grey(own, grey)


def empty_views(target: Target) -> dict[str, Observation]:
    """Return frames without the target: nothing, the sensor's noise, a blank plate."""
    rng = np.random.default_rng(np.random.SeedSequence([6, 1]))
    shape = (PLAIN.height, PLAIN.width)
    sensor = Sensor()
    noise = expose(np.full(shape, 0.35 * sensor.full_well), sensor, rng)
    plate = np.full(shape, 90, dtype=np.uint8)
    plate[180:420, 280:520] = 215
    frames = {
        "a grey frame": np.full(shape, 90, dtype=np.uint8),
        "a grey frame with the sensor's noise": noise,
        "a blank plate": plate,
    }
    return {
        name: Observation(Picture(grey), PLAIN, target, sensor) for name, grey in frames.items()
    }


def show(
    target: Target,
    camera: Camera,
    T_camera_target: Pose,
    imaging: Imaging | None = None,
    region: Region | None = None,
) -> Shown:
    """Return the mean picture, without noise, of a target; the full frame by default."""
    imaging = imaging or Imaging()
    region = region or full_frame(camera)
    picture = noise_free(target.drawing, T_camera_target, camera, imaging, region)
    return Shown(Observation(picture, camera, target, imaging.sensor), T_camera_target)


def _pose(
    target: Target, camera: Camera, pixel: tuple[float, float], tilt_deg: tuple[float, float]
) -> Pose:
    size_px = MARKER_PX if target.kind == "marker" else BOARD_PX
    turn, pitch, roll = (math.radians(a) for a in (*tilt_deg, ROLL_DEG))
    return pose_of_view(
        View(camera.fx * target.extent / size_px, turn, pitch, roll, pixel), camera
    )


def _neighbour(target: Target) -> Target | None:
    """Return the same marker with the id after, or before."""
    (own,) = target.markers
    drawing = target.drawing
    for marker_id in (own + 1, own - 1):
        try:
            return build_target(
                MarkerDesign(
                    dictionary=str(target.dictionary),
                    marker_id=marker_id,
                    size=target.marker_size,
                    plate=(drawing.width, drawing.height),
                    background=drawing.background,
                )
            )
        except TargetError:
            continue
    return None


def _asking(shown: Shown, target: Target) -> Shown:
    return replace(shown, observation=replace(shown.observation, target=target))


def _with_grey(shown: Shown, grey: GreyImage) -> Shown:
    picture = replace(shown.observation.picture, grey=grey)
    return replace(shown, observation=replace(shown.observation, picture=picture))
