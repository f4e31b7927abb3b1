"""Tags of known places: one camera pose from all of them, and which tag isn't where it should be.

All corners give one pose by least squares, weighed by what detector and layout claim; each tag is
then held against the pose that the others give (data snooping, Baarda 1968, "A testing procedure
for use in geodetic networks"). The place that contradicts most is left out, and all is done again,
until none does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from bench.errors import GeometryError
from bench.geometry.camera import Camera, point_jacobian, pose_jacobian, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, right_jacobian
from bench.geometry.uncertain import axes_change, inverse_response
from bench.solve.covariance import least_squares_covariance, propagate
from bench.typing import Array

# Of all tags of a picture together: so rarely is one called misplaced where none is.
FALSE_ALARM = 0.001
# Two contradict each other, but either may be the wrong one.
LEAST_TO_TELL = 3
# Of steps and gains, relative: rounding's, far below what any corner tells.
TOLERANCES = {"xtol": 1e-12, "ftol": 1e-12, "gtol": 1e-12}
BEHIND = 1e6  # standard deviations


@dataclass(frozen=True, eq=False)
class Tag:
    """A tag whose place in a layout is known.

    Attributes
    ----------
    name : str
        Such as ``36h11:7``.
    T_layout_tag : Pose
        Its place.
    u_m : float
        Standard uncertainty of each of its three coordinates, metres.
    """

    name: str
    T_layout_tag: Pose
    u_m: float = 0.0


@dataclass(frozen=True, eq=False)
class TagSeen:
    """A tag found in a picture.

    Attributes
    ----------
    tag : Tag
    pixels : (N, 2) float64
        Its corners.
    p_tag : (N, 3) float64
        The same in the tag's frame, metres.
    covariance : (2 N, 2 N) float64
        Of the pixels, as the detector claims it.
    poses : tuple of Pose
        T_camera_tag that its own corners allow, the better first: where to begin.
    freedom : int, optional
        How many of the coordinates are independent: six where corners stand for a pose; all
        when left out.
    """

    tag: Tag
    pixels: Array
    p_tag: Array
    covariance: Array
    poses: tuple[Pose, ...]
    freedom: int | None = None

    @property
    def degrees(self) -> int:
        """Number of independent coordinates."""
        return 2 * len(self.pixels) if self.freedom is None else self.freedom

    @property
    def p_layout(self) -> Array:
        """Its corners in the layout's frame (N, 3), metres."""
        return self.tag.T_layout_tag @ self.p_tag

    def total_covariance(self, T_camera_layout: Pose, camera: Camera) -> Array:
        """Return the covariance (2 N, 2 N) of its pixels and of its place."""
        if not self.tag.u_m:
            return self.covariance
        by_point = point_jacobian(T_camera_layout @ self.p_layout, camera)
        by_place = (by_point @ T_camera_layout.rotation).reshape(-1, 3)
        return np.asarray(self.covariance + self.tag.u_m**2 * by_place @ by_place.T)


@dataclass(frozen=True, eq=False)
class TagVerdict:
    """A tag held against the pose that the others give.

    Attributes
    ----------
    seen : TagSeen
    chi_square, p : float
        Of its corners, with as many degrees of freedom as independent coordinates.
    off : Pose or None
        How its own corners have it moved from its stated place, in the layout's frame; None
        where it alone gives no pose.
    misplaced : bool
        Whether it was left out of the pose.
    """

    seen: TagSeen
    chi_square: float
    p: float
    off: Pose | None
    misplaced: bool = False


@dataclass(frozen=True, eq=False)
class LayoutPose:
    """A camera's pose in a layout.

    Attributes
    ----------
    T_layout_camera : Pose
    covariance : (6, 6) float64
        Of a rotation vector about the layout's axes, radians, and of the camera's centre there,
        metres.
    chi_square, freedom, p : float, int, float
        Of all corners that were used.
    tags : tuple of TagVerdict
        In the order given.
    contradicted : bool
        Whether the tags that were used still contradict each other: of two, either may be wrong.
    """

    T_layout_camera: Pose
    covariance: Array
    chi_square: float
    freedom: int
    p: float
    tags: tuple[TagVerdict, ...]
    contradicted: bool = False

    @property
    def misplaced(self) -> list[str]:
        """Names of the tags whose place contradicts the others'."""
        return [verdict.seen.tag.name for verdict in self.tags if verdict.misplaced]


@dataclass(frozen=True, eq=False)
class _Fit:
    T_camera_layout: Pose
    covariance: Array
    chi_square: float
    freedom: int


def pose_in_layout(seen: Sequence[TagSeen], camera: Camera) -> LayoutPose:
    """Return a camera's pose from tags of known places.

    Parameters
    ----------
    seen : sequence of TagSeen
        One or more.
    camera : Camera

    Raises
    ------
    GeometryError
        No tag, or tags that don't determine a pose.
    """
    if not seen:
        raise GeometryError("no tag of the layout was found")
    inside = list(range(len(seen)))
    contradicted = False
    while True:
        fit = _fit([seen[i] for i in inside], camera)
        found = _verdicts(seen, inside, fit, camera)
        limit = FALSE_ALARM / len(seen)
        worst = min(inside, key=lambda i: found[i].p)
        if len(inside) < 2 or found[worst].p >= limit:
            break
        if len(inside) < LEAST_TO_TELL:
            contradicted = True
            break
        # what contradicts most, by leaving it out: a wrong tag makes good ones look wrong too
        worst = _worst(seen, inside, fit.T_camera_layout, camera)
        inside.remove(worst)
    T = fit.T_camera_layout
    return LayoutPose(
        T.inverse(),
        _camera_covariance(T, fit.covariance),
        fit.chi_square,
        fit.freedom,
        float(scipy.stats.chi2.sf(fit.chi_square, fit.freedom)) if fit.freedom > 0 else 1.0,
        tuple(found[i] for i in range(len(seen))),
        contradicted,
    )


def _worst(seen: Sequence[TagSeen], inside: Sequence[int], near: Pose, camera: Camera) -> int:
    """Return the tag without which the others agree best."""
    left = {i: _fit([seen[k] for k in inside if k != i], camera, near).chi_square for i in inside}
    return min(left, key=lambda i: left[i])


def _verdicts(
    seen: Sequence[TagSeen], inside: Sequence[int], fit: _Fit, camera: Camera
) -> Mapping[int, TagVerdict]:
    found = {}
    for i, tag in enumerate(seen):
        others = [seen[k] for k in inside if k != i]
        if not others:  # it is all there is
            found[i] = TagVerdict(tag, 0.0, 1.0, None)
            continue
        pose = _fit(others, camera, fit.T_camera_layout) if i in inside else fit
        T = pose.T_camera_layout
        residual = (tag.pixels - project(tag.p_layout, T, camera)).ravel()
        jacobian = pose_jacobian(tag.p_layout, T, camera).reshape(-1, 6)
        spread = tag.total_covariance(T, camera) + propagate(jacobian, pose.covariance)
        chi_square = float(residual @ np.linalg.solve(spread, residual))
        p = float(scipy.stats.chi2.sf(chi_square, tag.degrees))
        found[i] = TagVerdict(tag, chi_square, p, _off(tag, T), i not in inside)
    return found


def _off(tag: TagSeen, T_camera_layout: Pose) -> Pose | None:
    """Return how a tag stands from its stated place, in the layout's frame."""
    if not tag.poses:
        return None
    stated = tag.tag.T_layout_tag
    moved = [T_camera_layout.inverse() @ pose for pose in tag.poses]
    # of the two solutions of a flat tag the one nearer to its stated attitude
    best = min(moved, key=lambda m: -float(np.trace(m.rotation @ stated.rotation.T)))
    return Pose(best.rotation @ stated.rotation.T, best.translation - stated.translation)


def _fit(seen: Sequence[TagSeen], camera: Camera, near: Pose | None = None) -> _Fit:
    """Return the pose of least weighted squares, from a pose near to it or the best of all."""
    starts = [pose @ tag.tag.T_layout_tag.inverse() for tag in seen for pose in tag.poses]
    found = []
    for start in starts if near is None else [near]:
        try:
            found.append(_refined(seen, start, camera))
        except (GeometryError, np.linalg.LinAlgError):
            continue
    if not found:
        raise GeometryError("the tags that were found don't determine the camera's pose")
    return min(found, key=lambda fit: fit.chi_square)


def _refined(seen: Sequence[TagSeen], start: Pose, camera: Camera) -> _Fit:
    """Return the nearest minimum to a start, by MINPACK's Levenberg and Marquardt."""
    whiten = [np.linalg.inv(np.linalg.cholesky(t.total_covariance(start, camera))) for t in seen]

    def moved(step: Array) -> Pose:
        turned = start.rotation @ exp_rotvec(step[:3])
        return Pose(turned, start.translation + step[3:])

    def misfit(step: Array) -> Array:
        pose = moved(step)
        try:
            off = [(project(t.p_layout, pose, camera) - t.pixels).ravel() for t in seen]
        except GeometryError:  # behind the camera: worse than any place before it
            return np.full(sum(map(len, whiten)), BEHIND)
        return np.concatenate([w @ part for w, part in zip(whiten, off, strict=True)])

    def slope(step: Array) -> Array:
        jacobian = _whitened(whiten, seen, moved(step), camera)
        return np.hstack((jacobian[:, :3] @ right_jacobian(step[:3]), jacobian[:, 3:]))

    found = scipy.optimize.least_squares(
        misfit, np.zeros(6), slope, method="lm", x_scale="jac", **TOLERANCES
    )
    T, residual = moved(found.x), found.fun
    covariance = least_squares_covariance(_whitened(whiten, seen, T, camera), 1.0)
    return _Fit(T, covariance, float(residual @ residual), sum(t.degrees for t in seen) - 6)


def _whitened(whiten: Sequence[Array], seen: Sequence[TagSeen], T: Pose, camera: Camera) -> Array:
    return np.vstack(
        [
            w @ pose_jacobian(t.p_layout, T, camera).reshape(-1, 6)
            for w, t in zip(whiten, seen, strict=True)
        ]
    )


def _camera_covariance(T_camera_layout: Pose, covariance: Array) -> Array:
    """Return the covariance of the camera's attitude and centre about the layout's axes."""
    to_layout = axes_change(T_camera_layout.rotation.T, np.eye(3))
    return propagate(to_layout @ inverse_response(T_camera_layout), covariance)
