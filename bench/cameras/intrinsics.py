"""Camera calibration from views of a board: parameters, the board's shape, uncertainties.

What OpenCV's closed-form start and fit give (`calibrateCamera`; Zhang 2000,
doi:10.1109/34.888718), or of a fisheye lens a guessed focal length, is adjusted
(`bench.cameras.adjustment`). The covariance is that of least squares (JCGM
100:2008, H.3) with the poses of the views eliminated, made wider where views that are left out
one at a time scatter more than it says (`bench.cameras.resampling`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from bench.cameras.adjustment import (
    UNDETERMINED,
    BoardView,
    Row,
    State,
    adjust,
)
from bench.cameras.lenses import NAMES
from bench.cameras.resampling import left_out, widening
from bench.cameras.starts import fisheye_start, opencv_start
from bench.errors import BenchError, GeometryError
from bench.geometry.camera import Camera
from bench.geometry.lens_models import BROWN, FISHEYE, WIDEST
from bench.geometry.pose import Pose
from bench.solve.covariance import least_squares_covariance
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
        0 to 3: fit none, k1, k1 and k2, or k1, k2 and k3; the rest are 0. Of Brown-Conrady's
        model alone.
    family : str
        Of lenses, see `bench.cameras.lenses`; all radial coefficients of the others are free.
    """

    square_pixels: bool = False
    centred: bool = False
    tangential: bool = True
    radial_terms: int = 3
    family: str = BROWN

    @property
    def free(self) -> tuple[str, ...]:
        """Names of the free parameters; with square pixels fy stands for both."""
        held = set(("k1", "k2", "k3")[self.radial_terms :]) if self.family == BROWN else set()
        held |= {"fx"} if self.square_pixels else set()
        held |= {"cx", "cy"} if self.centred else set()
        held |= set() if self.tangential and self.family != FISHEYE else {"p1", "p2"}
        return tuple(name for name in NAMES[self.family] if name not in held)

    @property
    def basis(self) -> Array:
        """Change of the parameters by each free one (P, F); with square pixels fx goes with fy."""
        names = NAMES[self.family]
        basis = np.eye(len(names))[:, [names.index(name) for name in self.free]]
        if self.square_pixels:
            basis[0] = basis[1]
        return np.asarray(basis)

    @property
    def _flags(self) -> int:
        flags = cv2.CALIB_FIX_ASPECT_RATIO if self.square_pixels else 0
        flags |= cv2.CALIB_FIX_PRINCIPAL_POINT if self.centred else 0
        flags |= 0 if self.tangential else cv2.CALIB_ZERO_TANGENT_DIST
        fixed = (cv2.CALIB_FIX_K1, cv2.CALIB_FIX_K2, cv2.CALIB_FIX_K3)[self.radial_terms :]
        return int(flags | (sum(fixed) if self.family == BROWN else 0))


@dataclass(frozen=True, eq=False)
class Calibration:
    """A calibrated camera with what is known of its quality.

    Attributes
    ----------
    camera : Camera
        Fitted.
    model : LensModel
        Which parameters were free.
    covariance : (P, P) float64
        Of `names` (pixels; distortion without unit); zero where a parameter was held.
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
    widening, shape_widening : float
        What standard uncertainties of the lens and of the board's shape were multiplied by, 1 or
        more: errors within a view that aren't independent (`bench.cameras.resampling.widening`).
        Each has its own, since a hand that bends the board moves its shape more than the lens.
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
    shape_widening: float = 1.0
    state: State | None = None
    rows: tuple[Row, ...] = ()
    joint: Array = field(default_factory=lambda: np.zeros((0, 0)))

    @property
    def names(self) -> tuple[str, ...]:
        """Of the lens's parameters, P."""
        return NAMES[self.model.family]

    @property
    def values(self) -> Array:
        """The parameters (P,), in the order of `names`."""
        c = self.camera
        return np.array([c.fx, c.fy, c.cx, c.cy, *c.distortion, *c.more])

    @property
    def standard_uncertainties(self) -> Array:
        """Of the parameters (P,); zero where a parameter was held."""
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
        Of the same views and family, to begin from; None makes one.

    Raises
    ------
    GeometryError
        Too few views or points, or the views leave a parameter undetermined (all parallel).
    """
    model = LensModel() if model is None else model
    _check(views)
    try:
        if start is None and model.family == FISHEYE:
            start = fisheye_start(views, size, model.basis)
        elif start is None:
            start = opencv_start(views, size, model.family, model._flags)
        state, rows = adjust(views, _held(start, size, model, shape, views))
        fx, fy, cx, cy, k1, k2, p1, p2, k3, *more = state.values.tolist()
        camera = Camera(
            *size, fx, fy, cx, cy, (k1, k2, p1, p2, k3), None, model.family, tuple(more)
        )
        _refuse_ghosts(views, state, camera)
    except (cv2.error, BenchError) as error:
        raise GeometryError(UNDETERMINED) from error
    residuals = tuple(row.residual.reshape(-1, 2) for row in rows)
    freedom = sum(r.size for r in residuals) - state.n_shared - 6 * len(views)
    if freedom < 1:
        raise GeometryError(UNDETERMINED)
    sigma_px = float(np.sqrt(sum(float(np.sum(r**2)) for r in residuals) / freedom))
    jacobians = [row.pose_free for row in rows]
    try:
        independent = least_squares_covariance(np.vstack(jacobians), sigma_px)
    except np.linalg.LinAlgError as error:
        raise GeometryError(UNDETERMINED) from error
    moves, left_out_rmse = left_out(jacobians, residuals)
    n = len(model.free)
    lens, board = (
        widening(moves[:, own], independent[own, own]) for own in (slice(n), slice(n, None))
    )
    wider = np.repeat((lens, board), (n, len(independent) - n))
    joint = independent * np.outer(wider, wider)
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
        lens,
        board,
        state,
        tuple(rows),
        joint,
    )


def _refuse_ghosts(views: Sequence[BoardView], state: State, camera: Camera) -> None:
    """Raise where a lens isn't one-to-one among the points: it bends to noise, or not at all."""
    domain = camera.domain_radius
    if camera.model == FISHEYE and domain >= math.tan(WIDEST):
        return  # where the bench's own projection ends, the lens doesn't
    for view, pose in zip(views, state.poses, strict=True):
        x, y, z = (pose @ state.bent(view.p_target)).T
        if np.any(np.hypot(x, y) > domain * z):
            raise GeometryError(UNDETERMINED)


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


def _held(
    start: State, size: tuple[int, int], model: LensModel, shape: int, views: Sequence[BoardView]
) -> State:
    """Return a start whose held parameters have the values that they are held at."""
    values = np.array(start.values)
    free = {*model.free, "fx"}
    values[[name not in free for name in NAMES[model.family]]] = 0.0
    if model.centred:
        values[2:4] = 0.5 * (size[0] - 1), 0.5 * (size[1] - 1)
    if model.square_pixels:
        values[0] = values[1]
    points = np.vstack([view.p_target[:, :2] for view in views])
    width, height = (2.0 * np.max(np.abs(points), axis=0)).tolist()
    sizes = np.zeros(shape)
    kept = min(shape, len(start.shape))
    sizes[:kept] = start.shape[:kept]
    return State(model.family, values, model.basis, start.poses, sizes, (width, height))
