"""Camera calibration from views of a flat board: parameters, uncertainties, residuals.

The fit is OpenCV's (`calibrateCamera`; Zhang 2000, doi:10.1109/34.888718). The covariance is
that of least squares (JCGM 100:2008, H.3), from the camera model's closed-form Jacobians with
the poses of the views eliminated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from bench.errors import BenchError, GeometryError
from bench.geometry.camera import Camera, intrinsics_jacobian, pose_jacobian, project
from bench.geometry.pose import Pose
from bench.typing import Array

PARAMETERS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")

# A flat board gives two constraints on the intrinsics a view (Zhang 2000), so that two views
# can do for four of them; a third is the least that lets a bad one show.
MIN_VIEWS = 3
MIN_POINTS = 6  # in a view: fewer than its six pose parameters' worth of points helps nothing

# Of the scaled normal matrix. Beyond it a parameter's uncertainty is a hundred million times
# that of the same parameter with all others known, so nothing is known of it.
MAX_CONDITION = 1e16

# Focal length and range trade off between views parallel to the sensor; what least squares
# then returns is anything, with a large uncertainty of its own. At 10 % the linearisation that
# uncertainties rest on has gone too.
MAX_FOCAL_UNCERTAINTY = 0.10

STOP = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-12)


@dataclass(frozen=True, eq=False)
class BoardView:
    """Points of a board found in one picture.

    Attributes
    ----------
    name : str
        Of the picture.
    pixels : (N, 2) float64
        Found, pixels, centre-of-pixel origin.
    p_target : (N, 3) float64
        The same points in the board's frame, metres; z is 0.
    """

    name: str
    pixels: Array
    p_target: Array


@dataclass(frozen=True)
class LensModel:
    """Which intrinsics are free.

    Attributes
    ----------
    square_pixels : bool
        Hold fx = fy.
    centred : bool
        Hold the principal point at the picture's centre.
    tangential : bool
        Fit p1 and p2; otherwise they are 0.
    radial_terms : int
        0 to 3: fit none, k1, k1 and k2, or k1, k2 and k3; the rest are 0.
    """

    square_pixels: bool = False
    centred: bool = False
    tangential: bool = True
    radial_terms: int = 3

    @property
    def free(self) -> tuple[str, ...]:
        """Names of the free parameters; with square pixels fy stands for both."""
        held = set(("k1", "k2", "k3")[self.radial_terms :])
        held |= {"fx"} if self.square_pixels else set()
        held |= {"cx", "cy"} if self.centred else set()
        held |= set() if self.tangential else {"p1", "p2"}
        return tuple(name for name in PARAMETERS if name not in held)

    @property
    def _flags(self) -> int:
        flags = cv2.CALIB_FIX_ASPECT_RATIO if self.square_pixels else 0
        flags |= cv2.CALIB_FIX_PRINCIPAL_POINT if self.centred else 0
        flags |= 0 if self.tangential else cv2.CALIB_ZERO_TANGENT_DIST
        fixed = (cv2.CALIB_FIX_K1, cv2.CALIB_FIX_K2, cv2.CALIB_FIX_K3)[self.radial_terms :]
        return int(flags | sum(fixed))


@dataclass(frozen=True, eq=False)
class Calibration:
    """A calibrated camera with what is known of its quality.

    Attributes
    ----------
    camera : Camera
        Fitted.
    model : LensModel
        Which parameters were free.
    covariance : (9, 9) float64
        Of `PARAMETERS` (pixels; distortion without unit); zero where a parameter was held.
    poses : tuple of Pose
        T_camera_target_est of each view.
    residuals : tuple of (N, 2) float64
        Found minus predicted pixels of each view.
    sigma_px : float
        Standard deviation of one pixel coordinate: sqrt(sum of squares / degrees of freedom).
    left_out_rmse_px : (V,) float64
        Root mean square residual distance that each view would have with intrinsics from all
        the others: what it adds to its own residual is how far it pulls the camera to itself.
    """

    camera: Camera
    model: LensModel
    covariance: Array
    poses: tuple[Pose, ...]
    residuals: tuple[Array, ...]
    sigma_px: float
    left_out_rmse_px: Array

    @property
    def values(self) -> Array:
        """The parameters (9,), in the order of `PARAMETERS`."""
        c = self.camera
        return np.array([c.fx, c.fy, c.cx, c.cy, *c.distortion])

    @property
    def standard_uncertainties(self) -> Array:
        """Of the parameters (9,); zero where a parameter was held."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def view_rmse_px(self) -> Array:
        """Root mean square residual distance of each view (V,), pixels."""
        return np.array([np.sqrt(np.mean(np.sum(r**2, axis=1))) for r in self.residuals])

    @property
    def rmse_px(self) -> float:
        """Root mean square residual distance of a point over all views, pixels."""
        return float(np.sqrt(np.mean(np.sum(np.vstack(self.residuals) ** 2, axis=1))))


def calibrate(
    views: Sequence[BoardView], size: tuple[int, int], model: LensModel | None = None
) -> Calibration:
    """Fit a camera to views of a flat board.

    Parameters
    ----------
    views : sequence of BoardView
        Three or more, six points or more in each.
    size : (int, int)
        Width and height of the pictures, pixels.
    model : LensModel or None
        Which parameters are free; None frees all.

    Raises
    ------
    GeometryError
        Too few views or points, or the views leave a parameter undetermined (all parallel).
    """
    model = LensModel() if model is None else model
    _check(views)
    start = np.array([[1.0, 0, 0.5 * (size[0] - 1)], [0, 1.0, 0.5 * (size[1] - 1)], [0, 0, 1]])
    try:
        _, K, distortion, rvecs, tvecs = cv2.calibrateCamera(
            [v.p_target.astype(np.float32) for v in views],
            [v.pixels.astype(np.float32) for v in views],
            size,
            start,
            np.zeros(5),
            flags=model._flags,
            criteria=STOP,
        )
        (fx, _, cx), (_, fy, cy), _ = K.tolist()
        camera = Camera(*size, fx, fy, cx, cy, tuple(distortion.ravel()[:5].tolist()))
        poses = tuple(Pose.from_rotvec(r, t) for r, t in zip(rvecs, tvecs, strict=True))
        residuals = tuple(
            v.pixels - project(v.p_target, pose, camera)
            for v, pose in zip(views, poses, strict=True)
        )
    except (cv2.error, BenchError) as error:
        raise GeometryError(
            "the views don't determine the camera: hold the board at other tilts and places"
        ) from error
    squares = sum(float(np.sum(r**2)) for r in residuals)
    freedom = sum(r.size for r in residuals) - len(model.free) - 6 * len(views)
    sigma_px = float(np.sqrt(squares / freedom))
    jacobians = _pose_free_jacobians(views, poses, camera, model)
    cofactor = _cofactor(jacobians)
    covariance = sigma_px**2 * _with_held(cofactor, model)
    relative = float(np.sqrt(covariance[1, 1])) / camera.fy
    if relative > MAX_FOCAL_UNCERTAINTY:
        raise GeometryError(
            f"the views leave the focal length open by {100 * relative:.0f} %, more than "
            f"{100 * MAX_FOCAL_UNCERTAINTY:.0f} %: hold the board at other tilts"
        )
    left_out = _left_out_rmse(jacobians, residuals)
    return Calibration(camera, model, covariance, poses, residuals, sigma_px, left_out)


def _check(views: Sequence[BoardView]) -> None:
    if len(views) < MIN_VIEWS:
        raise GeometryError(
            f"calibration needs the board in at least {MIN_VIEWS} pictures, got {len(views)}"
        )
    for view in views:
        if len(view.pixels) < MIN_POINTS:
            raise GeometryError(
                f"{view.name}: calibration needs at least {MIN_POINTS} points a view, "
                f"got {len(view.pixels)}"
            )


def _pose_free_jacobians(
    views: Sequence[BoardView], poses: Sequence[Pose], camera: Camera, model: LensModel
) -> list[Array]:
    """Return d(pixels)/d(free intrinsics) of each view, (2 N, F), less what its pose can do.

    The normal matrix is an arrow: intrinsics share all views, each pose has its own. Taking
    out of each view's intrinsics columns what its pose columns span leaves the intrinsics'
    own normal matrix (the Schur complement), without forming the large one.
    """
    free = [PARAMETERS.index(name) for name in model.free]
    found = []
    for view, pose in zip(views, poses, strict=True):
        intrinsics = intrinsics_jacobian(pose @ view.p_target, camera)
        if model.square_pixels:
            intrinsics[..., 1] += intrinsics[..., 0]  # both move with fy
        by_intrinsics = intrinsics.reshape(-1, 9)[:, free]
        by_pose, _ = np.linalg.qr(pose_jacobian(view.p_target, pose, camera).reshape(-1, 6))
        found.append(by_intrinsics - by_pose @ (by_pose.T @ by_intrinsics))
    return found


def _cofactor(jacobians: Sequence[Array]) -> Array:
    """Return the covariance (F, F) of the free intrinsics for a coordinate variance of 1 px²."""
    _, triangle = np.linalg.qr(np.vstack(jacobians))
    scale = np.linalg.norm(triangle, axis=0)
    if not np.all(scale > 0) or np.linalg.cond(triangle / scale) ** 2 > MAX_CONDITION:
        raise GeometryError(
            "the views don't determine the camera: hold the board at other tilts and places"
        )
    inverse = np.linalg.inv(triangle / scale) / scale[:, None]
    cofactor: Array = inverse @ inverse.T
    return cofactor


def _with_held(cofactor: Array, model: LensModel) -> Array:
    """Return a matrix of the free intrinsics as one of all (9, 9), zero where held."""
    free = [PARAMETERS.index(name) for name in model.free]
    full = np.zeros((9, 9))
    full[np.ix_(free, free)] = cofactor
    if model.square_pixels:
        full[0] = full[1]
        full[:, 0] = full[:, 1]
    return full


def _left_out_rmse(jacobians: Sequence[Array], residuals: Sequence[Array]) -> Array:
    """Return each view's residual (V,), pixels, with intrinsics from the others, to first order.

    With J the view's pose-free Jacobian, N the normal matrix of all views and e the view's
    residual, leaving it out moves the intrinsics by -(N - JᵀJ)⁻¹ Jᵀe, so that its residual
    becomes e + J (N - JᵀJ)⁻¹ Jᵀe. The pose is the view's own either way.
    """
    scale = np.linalg.norm(np.vstack(jacobians), axis=0)
    scaled = [jacobian / scale for jacobian in jacobians]
    normal = sum((j.T @ j for j in scaled), np.zeros((len(scale), len(scale))))
    found = []
    for jacobian, residual in zip(scaled, residuals, strict=True):
        others = normal - jacobian.T @ jacobian
        e = residual.reshape(-1)
        # least squares: the others alone may leave a direction open, where nothing is moved
        moved, *_ = np.linalg.lstsq(others, jacobian.T @ e, rcond=1e-12)
        found.append(np.sqrt(2.0 * np.mean((e + jacobian @ moved) ** 2)))
    return np.array(found)
