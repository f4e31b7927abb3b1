"""Pinhole camera with a distorting lens: projection, its inverse, its derivatives.

Pixel (0, 0) is the centre of the top-left pixel; u runs right, v down. The camera frame has
x right, y down, z forward. The distortion model is that of Brown (1966, 1971) and Conrady
(1919) in OpenCV's parametrisation, with x, y the undistorted normalised coordinates and
r2 = x² + y²::

    x_d = x (1 + k1 r2 + k2 r2² + k3 r2³) + 2 p1 x y + p2 (r2 + 2 x²)
    y_d = y (1 + k1 r2 + k2 r2² + k3 r2³) + p1 (r2 + 2 y²) + 2 p2 x y

OpenCV's rational and fisheye models replace the radial factor: `bench.geometry.lens_models`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from bench.digest import later
from bench.errors import ConfigError, GeometryError
from bench.geometry.lens_kernel import wide_numbers
from bench.geometry.lens_models import BROWN, FISHEYE, MORE, RATIONAL, domain_radius, term_ratio
from bench.geometry.lens_models import radial as radial_of
from bench.geometry.pose import Pose
from bench.geometry.undistortion import BEHIND, pose_columns, projected, undistorted
from bench.typing import Array

# Calibrations of long lenses have coefficients in the thousands; beyond this they only overflow.
MAX_DISTORTION = 1e6
OUTSIDE = "outside the domain where the lens model is one-to-one"


@dataclass(frozen=True)
class Camera:
    """Intrinsics of one camera.

    Attributes
    ----------
    width, height : int
        Picture size, pixels.
    fx, fy : float
        Focal lengths, pixels.
    cx, cy : float
        Principal point, pixels, centre-of-pixel origin.
    distortion : tuple of 5 floats
        k1, k2, p1, p2, k3, OpenCV's order; p1 and p2 are 0 in a fisheye lens.
    pixel_pitch : float or None
        Distance of neighbouring pixels on the sensor, metres; needed by optics alone.
    model : str
        Of the lens, one of `bench.geometry.lens_models.MORE`.
    more : tuple of float
        Further coefficients of the model: k4, k5, k6 of the rational one, k4 of the fisheye one.

    Raises
    ------
    ConfigError
        A size or focal length isn't positive, a number isn't finite, a coefficient of the
        distortion is beyond `MAX_DISTORTION`, or they aren't the model's.
    """

    width: int
    height: int
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    pixel_pitch: float | None = None
    model: str = later(BROWN)
    more: tuple[float, ...] = later(())

    def __post_init__(self) -> None:
        if self.width < 1 or self.height < 1:
            raise ConfigError(
                f"camera: width and height must be at least 1 px, got {self.width} x {self.height}"
            )
        numbers = (self.fx, self.fy, self.cx, self.cy, *self.distortion)
        coefficients = (*self.distortion, *self.more)
        if len(numbers) != 9 or not np.all(np.isfinite((*numbers, *self.more))):
            raise ConfigError("camera: intrinsics must be finite, distortion five numbers")
        if max(map(abs, coefficients)) > MAX_DISTORTION:
            raise ConfigError(
                f"camera: distortion must lie within ±{MAX_DISTORTION:g}, got "
                f"{max(coefficients, key=abs):g}"
            )
        if len(self.more) != MORE.get(self.model):
            raise ConfigError(
                f"camera: lens model must be {' or '.join(MORE)} with {list(MORE.values())} "
                f"coefficients beyond k3, got {self.model!r} with {len(self.more)}"
            )
        if self.model == FISHEYE and any(self.distortion[2:4]):
            raise ConfigError("camera: a fisheye lens has no tangential distortion p1, p2")
        if self.fx <= 0 or self.fy <= 0:
            raise ConfigError(
                f"camera: focal length must be positive, got {self.fx} and {self.fy} px"
            )
        if self.pixel_pitch is not None and not 0 < self.pixel_pitch < 1e-3:
            raise ConfigError(
                f"camera: pixel_pitch must lie between 0 and 1 mm, got {self.pixel_pitch} m"
            )

    @cached_property
    def matrix(self) -> Array:
        """Camera matrix K (3, 3)."""
        return np.array([[self.fx, 0.0, self.cx], [0.0, self.fy, self.cy], [0.0, 0.0, 1.0]])

    @cached_property
    def distortion_vector(self) -> Array:
        """k1, k2, p1, p2, k3 as an array (5,)."""
        return np.array(self.distortion, dtype=np.float64)

    @cached_property
    def lens(self) -> Array:
        """fx, fy, cx, cy, k1, k2, p1, p2, k3, and `lens_kernel.wide_numbers` as an array (13,)."""
        wide = wide_numbers(self.model, self.more)
        return np.array([self.fx, self.fy, self.cx, self.cy, *self.distortion, *wide])

    @property
    def has_distortion(self) -> bool:
        """Whether any distortion coefficient differs from zero."""
        return any(self.distortion) or self.model != BROWN

    @property
    def radial_terms(self) -> tuple[float, float, float]:
        """k1, k2, k3."""
        k1, k2, _, _, k3 = self.distortion
        return k1, k2, k3

    @property
    def opencv_coefficients(self) -> tuple[float, ...]:
        """The model's coefficients as OpenCV orders them: 5, 8 of the rational, 4 of fisheye."""
        if self.model == FISHEYE:
            return (*self.radial_terms, *self.more)
        return (*self.distortion, *self.more)

    @cached_property
    def domain_radius(self) -> float:
        """Normalised radius up to which the radial part is one-to-one; infinite if always."""
        return domain_radius(self.model, self.radial_terms, self.more)

    def changed(self, change: Array) -> Camera:
        """Return the camera after a change of fx, fy, cx, cy, k1, k2, p1, p2, k3 and `more`.

        One of nine numbers leaves `more` as it is.
        """
        own = [self.fx, self.fy, self.cx, self.cy, *self.distortion, *self.more]
        for i, by in enumerate(change):
            own[i] += float(by)
        fx, fy, cx, cy, k1, k2, p1, p2, k3, *more = own
        lens = (k1, k2, p1, p2, k3)
        return replace(self, fx=fx, fy=fy, cx=cx, cy=cy, distortion=lens, more=tuple(more))

    def contains(self, pixels: Array, margin: float = 0.0) -> bool:
        """Tell whether all pixels (..., 2) lie on the sensor, `margin` px or more inside."""
        u, v = pixels[..., 0], pixels[..., 1]
        return bool(
            np.all(u >= margin - 0.5)
            and np.all(v >= margin - 0.5)
            and np.all(u <= self.width - 0.5 - margin)
            and np.all(v <= self.height - 0.5 - margin)
        )


Five = tuple[float, float, float, float, float]


def from_opencv(values: Sequence[float]) -> tuple[str, Five, tuple[float, ...]]:
    """Return model, distortion and `more` of a `Camera` from 5, 8 or 4 coefficients.

    The inverse of `Camera.opencv_coefficients`.

    Raises
    ------
    ConfigError
        There are as many as no model has.
    """
    if len(values) == 4:
        k1, k2, k3, k4 = map(float, values)
        return FISHEYE, (k1, k2, 0.0, 0.0, k3), (k4,)
    if len(values) not in (5, 8):
        raise ConfigError(f"camera: distortion must be 5, 8 or 4 numbers, got {len(values)}")
    k1, k2, p1, p2, k3, *more = map(float, values)
    return RATIONAL if more else BROWN, (k1, k2, p1, p2, k3), tuple(more)


def distort(xy: Array, camera: Camera) -> Array:
    """Apply lens distortion to normalised coordinates (..., 2)."""
    if not camera.has_distortion:
        return np.asarray(xy, dtype=np.float64)
    _, _, p1, p2, _ = camera.distortion
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    radial, _, _ = radial_of(r2, camera.model, camera.radial_terms, camera.more)
    return np.stack(
        (
            x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        ),
        axis=-1,
    )


def distortion_jacobian(xy: Array, camera: Camera) -> Array:
    """Return d(x_d, y_d)/d(x, y), (..., 2, 2), at normalised coordinates (..., 2)."""
    _, _, p1, p2, _ = camera.distortion
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    radial, slope, _ = radial_of(r2, camera.model, camera.radial_terms, camera.more)
    slope = 2.0 * slope
    jacobian = np.empty((*np.shape(x), 2, 2))
    jacobian[..., 0, 0] = radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x
    jacobian[..., 0, 1] = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
    jacobian[..., 1, 0] = jacobian[..., 0, 1]
    jacobian[..., 1, 1] = radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x
    return jacobian


def undistort(xy_distorted: Array, camera: Camera) -> Array:
    """Invert `distort` by damped Newton steps, for points (..., 2).

    Raises
    ------
    GeometryError
        A point has no undistorted counterpart in the domain where the model is one-to-one.
    """
    xy_distorted = np.asarray(xy_distorted, dtype=np.float64)
    if not camera.has_distortion:
        return xy_distorted
    found = np.empty((xy_distorted.size // 2, 2))
    target = np.ascontiguousarray(xy_distorted).reshape(-1, 2)
    if not undistorted(target, camera.lens[4:], camera.domain_radius, found):
        raise GeometryError(f"a pixel lies {OUTSIDE}")
    return found.reshape(xy_distorted.shape)


def project_camera(p_camera: Array, camera: Camera) -> Array:
    """Project points (..., 3) in the camera frame, metres, to pixels (..., 2).

    Raises
    ------
    GeometryError
        A point lies on or behind the camera plane, or so far aside that it is outside the
        domain where the lens model is one-to-one.
    """
    p_camera = np.array(p_camera, dtype=np.float64, order="C")
    pixels = np.empty((*p_camera.shape[:-1], 2))
    limit = camera.domain_radius if camera.has_distortion else np.inf
    fault = projected(p_camera.reshape(-1, 3), camera.lens, limit, pixels.reshape(-1, 2))
    if fault == BEHIND:
        raise GeometryError("a point lies on or behind the camera plane")
    if fault:
        raise GeometryError(f"a point lies {OUTSIDE}")
    return pixels


def project(p_target: Array, T_camera_target: Pose, camera: Camera) -> Array:
    """Project target points to pixels.

    Parameters
    ----------
    p_target : (N, 3) float64
        Points in the target frame, metres.
    T_camera_target : Pose
        Target to camera.
    camera : Camera
        Intrinsics.

    Returns
    -------
    (N, 2) float64
        Pixels, centre-of-pixel origin.

    Raises
    ------
    GeometryError
        See `project_camera`.
    """
    return project_camera(T_camera_target @ p_target, camera)


def normalise(pixels: Array, camera: Camera) -> Array:
    """Return undistorted normalised coordinates (..., 2) of pixels (..., 2).

    Raises
    ------
    GeometryError
        See `undistort`.
    """
    pixels = np.asarray(pixels, dtype=np.float64)
    return undistort((pixels - (camera.cx, camera.cy)) / (camera.fx, camera.fy), camera)


def ray(pixels: Array, camera: Camera) -> Array:
    """Return unit directions (..., 3) in the camera frame of pixels (..., 2)."""
    xy = normalise(pixels, camera)
    direction = np.concatenate((xy, np.ones((*xy.shape[:-1], 1))), axis=-1)
    unit: Array = direction / np.linalg.norm(direction, axis=-1, keepdims=True)
    return unit


def point_jacobian(p_camera: Array, camera: Camera) -> Array:
    """Return d(pixel)/d(point), (N, 2, 3), pixels per metre, for points (N, 3)."""
    p_camera = np.asarray(p_camera, dtype=np.float64)
    x, y, z = p_camera[:, 0], p_camera[:, 1], p_camera[:, 2]
    if not np.all(z > 0.0):
        raise GeometryError("a point lies on or behind the camera plane")
    pinhole = np.zeros((len(p_camera), 2, 3))
    pinhole[:, 0, 0] = pinhole[:, 1, 1] = 1.0 / z
    pinhole[:, 0, 2] = -x / z**2
    pinhole[:, 1, 2] = -y / z**2
    lens = distortion_jacobian(p_camera[:, :2] / z[:, None], camera)
    jacobian: Array = np.array([camera.fx, camera.fy])[None, :, None] * (lens @ pinhole)
    return jacobian


def pose_jacobian(p_target: Array, T_camera_target: Pose, camera: Camera) -> Array:
    """Return d(pixel)/d(pose), (N, 2, 6), for target points (N, 3).

    The pose is perturbed in the target frame: ``T · Exp(δ)`` with δ = (ω, τ), a rotation
    vector ω (radians) about the target's own axes and a translation τ (metres) in the camera
    frame, ``R ← R exp([ω]×)``, ``t ← t + τ``. Columns 0 to 2 are ω, 3 to 5 are τ. Rotations
    are thus split about the target's axes, as scores are.
    """
    p_target = np.array(p_target, dtype=np.float64, order="C")
    jacobian = np.empty((len(p_target), 2, 6))
    p_camera = T_camera_target @ p_target
    if not pose_columns(p_target, p_camera, T_camera_target.rotation, camera.lens, jacobian):
        raise GeometryError("a point lies on or behind the camera plane")
    return jacobian


def rotation_columns(p_target: Array, by_target: Array) -> Array:
    """Return d(pixel)/dω (..., N, 2, 3) from d(pixel)/d(point of the target) (..., N, 2, 3)."""
    # d(R exp(w) p)/dw at w = 0 is R (w x p), so that a row a becomes p x (Rᵀ a)
    a, (x, y, z) = by_target, p_target.T[:, :, None]
    columns = (y * a[..., 2] - z * a[..., 1], z * a[..., 0] - x * a[..., 2])
    return np.stack((*columns, x * a[..., 1] - y * a[..., 0]), axis=-1)


def intrinsics_jacobian(p_camera: Array, camera: Camera) -> Array:
    """Return d(pixel)/d(fx, fy, cx, cy, k1, k2, p1, p2, k3 and `more`), (N, 2, P), of (N, 3).

    The columns of p1 and p2 are 0 in a fisheye lens.
    """
    p_camera = np.asarray(p_camera, dtype=np.float64)
    xy = p_camera[:, :2] / p_camera[:, 2:3]
    x, y = xy[:, 0], xy[:, 1]
    r2 = x * x + y * y
    xy_d = distort(xy, camera)
    jacobian = np.zeros((len(p_camera), 2, 9 + len(camera.more)))
    jacobian[:, 0, 0] = xy_d[:, 0]
    jacobian[:, 1, 1] = xy_d[:, 1]
    jacobian[:, 0, 2] = jacobian[:, 1, 3] = 1.0
    g, _, first = radial_of(r2, camera.model, camera.radial_terms, camera.more)
    ratio = term_ratio(r2, camera.model)
    powers = [first, first * ratio, first * ratio**2]
    if camera.model == BROWN:  # the same, to the last bit as surveys have it
        powers = [r2, r2**2, r2**3]
    elif camera.model == FISHEYE:
        powers.append(first * ratio**3)
    else:  # k4 to k6 stand below the line
        powers += [-g * power for power in powers]
    for column, power in zip((4, 5, 8, 9, 10, 11), powers, strict=False):
        jacobian[:, 0, column] = camera.fx * x * power
        jacobian[:, 1, column] = camera.fy * y * power
    if camera.model == FISHEYE:
        return jacobian
    jacobian[:, 0, 6] = camera.fx * 2.0 * x * y
    jacobian[:, 1, 6] = camera.fy * (r2 + 2.0 * y * y)
    jacobian[:, 0, 7] = camera.fx * (r2 + 2.0 * x * x)
    jacobian[:, 1, 7] = camera.fy * 2.0 * x * y
    return jacobian


def face_places(pixels: Array, T_camera_target: Pose, camera: Camera) -> Array:
    """Return where on a target's plane pixels (..., 2) look: target frame, metres, (..., 3).

    Raises
    ------
    GeometryError
        A pixel lies outside the lens model's domain.
    """
    xy = normalise(pixels, camera)
    direction = np.concatenate((xy, np.ones((*xy.shape[:-1], 1))), axis=-1)
    normal = T_camera_target.rotation[:, 2]
    depth = (normal @ T_camera_target.translation) / (direction @ normal)
    inside = direction * depth[..., None] - T_camera_target.translation
    return np.asarray(inside @ T_camera_target.rotation)


def lens_shift(p_camera: Array, camera: Camera, modes: Array) -> Array:
    """Return the pixels' change (N, 2, K) by modes (P, K) of the intrinsics, of points (N, 3).

    Modes of nine rows leave `Camera.more` as it is.
    """
    return np.asarray(intrinsics_jacobian(p_camera, camera)[..., : len(modes)] @ modes)
