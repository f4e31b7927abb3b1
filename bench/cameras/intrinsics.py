"""Camera calibration from views of a board: parameters, the board's shape, uncertainties.

OpenCV's closed-form start and fit (`calibrateCamera`; Zhang 2000, doi:10.1109/34.888718) give
what `bench.cameras.adjustment` begins from. The covariance is that of least squares (JCGM
100:2008, H.3) with the poses of the views eliminated, made wider where views that are left out
one at a time scatter more than it says (`bench.cameras.resampling`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from bench.cameras.adjustment import (
    MAX_CONDITION,
    UNDETERMINED,
    BoardView,
    Row,
    State,
    adjust,
)
from bench.cameras.lenses import BROWN, PARAMETERS
from bench.cameras.resampling import left_out, widening
from bench.errors import BenchError, GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.typing import Array

# A flat board gives two constraints on the intrinsics a view (Zhang 2000), so that two views
# can do for four of them; a third is the least that lets a bad one show.
MIN_VIEWS = 3
MIN_POINTS = 6  # in a view: fewer than its six pose parameters' worth of points helps nothing

# Focal length and range trade off between views parallel to the sensor; what least squares
# then returns is anything, with a large uncertainty of its own. At 10 % the linearisation that
# uncertainties rest on has gone too.
MAX_FOCAL_UNCERTAINTY = 0.10

# The board's shape: bow across and up, or these and twist (`bench.targets.bend`).
SHAPES = (0, 2, 3)
SHAPE_NAMES = ("bow_across", "bow_up", "twist")

STOP = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-12)


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
    def basis(self) -> Array:
        """Change of `PARAMETERS` by each free one (9, F); with square pixels fx goes with fy."""
        basis = np.eye(len(PARAMETERS))[:, [PARAMETERS.index(name) for name in self.free]]
        if self.square_pixels:
            basis[0] = basis[1]
        return np.asarray(basis)

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
    shape : (S,) float64
        Bow across, bow up, twist of the board: as many as were fitted; metres at the corners of
        its points' extent (`bench.targets.bend`), positive toward the viewer.
    shape_uncertainties : (S,) float64
        Standard uncertainties of `shape`.
    widening : float
        What standard uncertainties were multiplied by, 1 or more: errors within a view that
        aren't independent (`bench.cameras.resampling.widening`).
    state : State or None
        What was adjusted.
    rows : tuple of Row
        Each view made linear there.
    joint : (F + S, F + S) float64
        Covariance of what all views share: the free intrinsics and the shape.
    """

    camera: Camera
    model: LensModel
    covariance: Array
    poses: tuple[Pose, ...]
    residuals: tuple[Array, ...]
    sigma_px: float
    left_out_rmse_px: Array
    shape: Array = field(default_factory=lambda: np.zeros(0))
    shape_uncertainties: Array = field(default_factory=lambda: np.zeros(0))
    widening: float = 1.0
    state: State | None = None
    rows: tuple[Row, ...] = ()
    joint: Array = field(default_factory=lambda: np.zeros((0, 0)))

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

    @property
    def squares(self) -> float:
        """Sum of squared residuals, pixels²."""
        return float(sum(np.sum(r**2) for r in self.residuals))

    @property
    def n_free(self) -> int:
        """How many numbers of lens and shape were free."""
        return len(self.model.free) + len(self.shape)


def calibrate(
    views: Sequence[BoardView],
    size: tuple[int, int],
    model: LensModel | None = None,
    shape: int = 0,
    start: State | None = None,
) -> Calibration:
    """Fit a camera to views of a board.

    Parameters
    ----------
    views : sequence of BoardView
        Three or more, six points or more in each.
    size : (int, int)
        Width and height of the pictures, pixels.
    model : LensModel or None
        Which parameters are free; None frees all.
    shape : int
        How many numbers of the board's shape are free, one of `SHAPES`.
    start : State or None
        Of the same views, to begin from; None asks OpenCV.

    Raises
    ------
    GeometryError
        Too few views or points, or the views leave a parameter undetermined (all parallel).
    """
    model = LensModel() if model is None else model
    _check(views)
    try:
        if start is None:
            start = _opencv_start(views, size, model)
        state, rows = adjust(views, _held(start, size, model, shape, views))
        (fx, fy, cx, cy), distortion = state.values[:4].tolist(), state.values[4:].tolist()
        camera = Camera(*size, fx, fy, cx, cy, tuple(distortion))
        residuals = tuple(
            view.pixels - project(state.bent(view.p_target), pose, camera)
            for view, pose in zip(views, state.poses, strict=True)
        )
    except (cv2.error, BenchError) as error:
        raise GeometryError(UNDETERMINED) from error
    freedom = sum(r.size for r in residuals) - state.n_shared - 6 * len(views)
    if freedom < 1:
        raise GeometryError(UNDETERMINED)
    sigma_px = float(np.sqrt(sum(float(np.sum(r**2)) for r in residuals) / freedom))
    jacobians = [row.pose_free for row in rows]
    cofactor = cofactor_of(jacobians)
    moves, left_out_rmse = left_out(jacobians, residuals)
    wider = widening(moves, sigma_px**2 * cofactor)
    joint = (wider * sigma_px) ** 2 * cofactor
    n = len(model.free)
    covariance = model.basis @ joint[:n, :n] @ model.basis.T
    relative = float(np.sqrt(covariance[1, 1])) / camera.fy
    if relative > MAX_FOCAL_UNCERTAINTY:
        raise GeometryError(
            f"the views leave the focal length open by {100 * relative:.0f} %, more than "
            f"{100 * MAX_FOCAL_UNCERTAINTY:.0f} %: hold the board at other tilts"
        )
    return Calibration(
        camera,
        model,
        covariance,
        state.poses,
        residuals,
        sigma_px,
        left_out_rmse,
        state.shape,
        np.sqrt(np.diag(joint)[n:]),
        wider,
        state,
        tuple(rows),
        joint,
    )


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


def _opencv_start(views: Sequence[BoardView], size: tuple[int, int], model: LensModel) -> State:
    """Return what OpenCV makes of the views, the board taken as flat."""
    middle = np.array([[1.0, 0, 0.5 * (size[0] - 1)], [0, 1.0, 0.5 * (size[1] - 1)], [0, 0, 1]])
    _, K, distortion, rvecs, tvecs = cv2.calibrateCamera(
        [v.p_target.astype(np.float32) for v in views],
        [v.pixels.astype(np.float32) for v in views],
        size,
        middle,
        np.zeros(5),
        flags=model._flags,
        criteria=STOP,
    )
    (fx, _, cx), (_, fy, cy), _ = K.tolist()
    values = np.array([fx, fy, cx, cy, *distortion.ravel()[:5]])
    poses = tuple(Pose.from_rotvec(r, t) for r, t in zip(rvecs, tvecs, strict=True))
    return State(BROWN, values, np.eye(len(PARAMETERS)), poses)


def _held(
    start: State, size: tuple[int, int], model: LensModel, shape: int, views: Sequence[BoardView]
) -> State:
    """Return a start whose held parameters have the values that they are held at."""
    values = np.array(start.values)
    free = {*model.free, "fx"}
    values[[name not in free for name in PARAMETERS]] = 0.0
    if model.centred:
        values[2:4] = 0.5 * (size[0] - 1), 0.5 * (size[1] - 1)
    if model.square_pixels:
        values[0] = values[1]
    points = np.vstack([view.p_target[:, :2] for view in views])
    width, height = (2.0 * np.max(np.abs(points), axis=0)).tolist()
    sizes = np.zeros(shape)
    kept = min(shape, len(start.shape))
    sizes[:kept] = start.shape[:kept]
    return State(BROWN, values, model.basis, start.poses, sizes, (width, height))


def cofactor_of(jacobians: Sequence[Array]) -> Array:
    """Return the covariance of lens and shape for a coordinate variance of 1 px².

    Raises
    ------
    GeometryError
        Something isn't determined.
    """
    _, triangle = np.linalg.qr(np.vstack(jacobians))
    scale = np.linalg.norm(triangle, axis=0)
    if not np.all(scale > 0) or np.linalg.cond(triangle / scale) ** 2 > MAX_CONDITION:
        raise GeometryError(UNDETERMINED)
    inverse = np.linalg.inv(triangle / scale) / scale[:, None]
    cofactor: Array = inverse @ inverse.T
    return cofactor
