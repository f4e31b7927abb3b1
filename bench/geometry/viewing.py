"""Views of a target: range, turn, pitch, roll and place in the picture.

A target *faces* the camera when its normal lies along the line from target to camera. From
there it is rolled about the line of sight, turned about its own y, then pitched about its
own x::

    R_camera_target = R_camera_facing · R_z(roll) · R_y(turn) · R_x(pitch)

so that cos(tilt) = cos(turn) · cos(pitch). In the facing frame z points from the target to
the camera, y is the upward direction of the picture as far as the line of sight allows and
x completes it to the right of the picture.
"""

import math
from dataclasses import dataclass

import numpy as np

from bench.errors import GeometryError
from bench.geometry.camera import Camera, ray
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between, rotation_x, rotation_y, rotation_z
from bench.typing import Array


@dataclass(frozen=True)
class View:
    """One way to hold a target before a camera.

    >>> import bench
    >>> bench.View(range_m=6.0, turn=0.5).pixel is None  # in the middle of the picture
    True

    Attributes
    ----------
    range_m : float
        Camera centre to target centre, metres.
    turn, pitch, roll : float
        Radians; see the module's formula.
    pixel : (float, float) or None
        Where the target's centre appears, pixels; None is the principal point.
    """

    range_m: float
    turn: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0
    pixel: tuple[float, float] | None = None


def facing_rotation(line_of_sight: Array) -> Array:
    """Return R_camera_facing (3, 3) for a target in direction `line_of_sight` (3,).

    Raises
    ------
    GeometryError
        The direction is the camera's own y, where "up" isn't defined.
    """
    dx, dy, dz = (float(v) for v in line_of_sight)
    norm, across = math.sqrt(dx * dx + dy * dy + dz * dz), math.hypot(dx, dz)
    if across <= 1e-9 * norm:  # equal when there is no direction at all
        raise GeometryError("a target straight above or below the camera has no facing frame")
    # z = -d/|d|; x is up × z, with up = (0, -1, 0), made a unit; y = z × x: written out, since
    # every case of a survey comes by here several times
    zx, zy, zz = -dx / norm, -dy / norm, -dz / norm
    xx, xz = dz / across, -dx / across
    return np.array([[xx, zy * xz, zx], [0.0, zz * xx - zx * xz, zy], [xz, -zy * xx, zz]])


def pose_of_view(view: View, camera: Camera) -> Pose:
    """Return T_camera_target for a view.

    >>> import bench
    >>> camera = bench.load_bay().towers[0].camera
    >>> bench.pose_of_view(bench.View(range_m=6.0), camera).translation.tolist()
    [0.0, 0.0, 6.0]

    Raises
    ------
    GeometryError
        Range not positive, or the pixel lies outside the lens model's domain.
    """
    if not view.range_m > 0.0:
        raise GeometryError(f"range must be positive, got {view.range_m} m")
    pixel = (camera.cx, camera.cy) if view.pixel is None else view.pixel
    direction = ray(np.array(pixel), camera)
    rotation = (
        facing_rotation(direction)
        @ rotation_z(view.roll)
        @ rotation_y(view.turn)
        @ rotation_x(view.pitch)
    )
    return Pose(rotation, view.range_m * direction)


def view_of_pose(T_camera_target: Pose) -> View:
    """Return range, turn, pitch and roll of a pose; `pixel` is left None.

    With R = R_z(a) R_y(b) R_x(c): b = -asin(R20), c = atan2(R21, R22), a = atan2(R10, R00).
    Turns beyond ±90 degrees show the target's back and come out as their supplement.
    """
    t = T_camera_target.translation
    rotation = facing_rotation(t).T @ T_camera_target.rotation
    return View(
        range_m=float(np.linalg.norm(t)),
        turn=float(np.arcsin(np.clip(-rotation[2, 0], -1.0, 1.0))),
        pitch=float(np.arctan2(rotation[2, 1], rotation[2, 2])),
        roll=float(np.arctan2(rotation[1, 0], rotation[0, 0])),
    )


def tilt_of_pose(T_camera_target: Pose) -> float:
    """Return the angle, radians, between the target's normal and the line to the camera."""
    return angle_between(T_camera_target.rotation[:, 2], -T_camera_target.translation)


def mirrored_normal(T_camera_target: Pose) -> Array:
    """Return the normal (3,), camera frame, of the other pose that looks nearly the same.

    A plane's weak-perspective image doesn't change when its normal is reflected about the
    line of sight (Schweighofer and Pinz 2006, doi:10.1109/TPAMI.2006.252): n' = 2(n·d)d - n
    with d the unit vector from target to camera.
    """
    d = -T_camera_target.translation / np.linalg.norm(T_camera_target.translation)
    n = T_camera_target.rotation[:, 2]
    return np.asarray(2.0 * np.dot(n, d) * d - n, dtype=np.float64)
