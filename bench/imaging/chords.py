"""The boundaries of a drawing as a camera sees them: straight chords in the picture.

A pinhole keeps straight edges straight, so without distortion an edge is one chord. A circle,
or an edge seen through a distorting lens, becomes a chain of arcs, each drawn with two chords.
An arc from P0 to P1 through P, the curve's point at the middle parameter, gets the vertex
V = C + 4/3 (P - C) with C the middle of P0 P1: by Archimedes' quadrature of the parabola the
triangle P0 V P1 then has the area of the parabola through P0, P and P1. Chords that join
points of a curve cut inside it and shrink what it bounds; these don't, to fourth order in the
arc's length. Where |d²c/dt²| <= M on an arc of parameter length h the curve lies within
s = M h²/8 of P0 P1, and for a parabola no point of the two chords is further than s/3 from it.
M is bounded in closed form, so the number of arcs needs no trial and error.

On a bent plate (`bench.targets.bend`) an edge is an arc even without distortion. With d its way,
z'' = 2 (a d_x² + b d_y² + c d_x d_y) and n the plate's normal, its projection p has
p' × p'' = z'' p' × (n_xy - n_z p) / Z, so that across its own direction it bends by
|z''| |n_xy - n_z p| / Z at most.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from bench.errors import GeometryError
from bench.geometry.camera import OUTSIDE, Camera
from bench.geometry.lens_kernel import wide_bend, wide_radial
from bench.geometry.pose import Pose
from bench.kernel import kernel
from bench.targets.bend import least_height_over_tangents
from bench.targets.drawing import Drawing
from bench.typing import Array

# No chord is further from its curve than this, which is also the most that the coverage of a
# pixel can be off; it changes sign along each half of an arc and averages to nothing.
DEVIATION_PX = 5e-4
# A curve that needs more arcs reaches to within a hair of the camera plane: at 1 px per arc
# it would be a million pixels long.
MAX_ARCS = 1_000_000
FOUR_THIRDS = 4.0 / 3.0
# Of a plate without relief, see `_normalised`.
_FLAT = np.zeros(7)

_BEHIND, _OUTSIDE_LENS = 1, 2
_REASONS = {
    _BEHIND: "a point of the target lies on or behind the camera plane",
    _OUTSIDE_LENS: f"a point of the target lies {OUTSIDE}",
}


@dataclass(frozen=True, eq=False)
class Chords:
    """Directed chords in the picture.

    Attributes
    ----------
    ends : (N, 4) float64
        u0, v0, u1, v1, pixels, centre-of-pixel origin. Those of one boundary follow each
        other and close bit for bit.
    steps : (N,) float64
        Reflectance on the left of the chord, as the picture shows it, minus on its right.
    relief : (float, float, float)
        a, b, c of the height z = a x² + b y² + c x y that the boundaries have on their plate.
    rays : (N, 4) float64 or None
        Undistorted normalised coordinates of the curve's points at the ends, where they are
        known: an arc's vertex, a hair off its curve, has that of the curve's middle.
    """

    ends: Array
    steps: Array
    relief: tuple[float, float, float] = (0.0, 0.0, 0.0)
    rays: Array | None = None


# A picture and its bound look at the same target.
@lru_cache(maxsize=4)
def project_chords(drawing: Drawing, T_camera_target: Pose, camera: Camera) -> Chords:
    """Project every boundary of a drawing.

    Raises
    ------
    GeometryError
        The camera sees the target's back or its edge only, or not all of a bent one's face; a
        point of it lies on or behind the camera plane, or where the lens model isn't one-to-one.
    """
    return project_boundaries(_boundaries(drawing), drawing, T_camera_target, camera)


def project_boundaries(
    boundaries: tuple[Array, Array, Array, Array],
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
) -> Chords:
    """Project segments, with their steps, and discs, with theirs, on a drawing's plate.

    Raises
    ------
    GeometryError
        As `project_chords`.
    """
    return _project(*boundaries, drawing, T_camera_target, camera)


@lru_cache(maxsize=4)
def project_outline(drawing: Drawing, T_camera_target: Pose, camera: Camera) -> Chords:
    """Project the plate's outline alone, with steps of one.

    Raises
    ------
    GeometryError
        As `project_chords`.
    """
    return _project(*_outline(drawing), drawing, T_camera_target, camera)


@lru_cache(maxsize=256)
def _outline(drawing: Drawing) -> tuple[Array, Array, Array, Array]:
    """Return the plate's sides as `_boundaries` has a drawing's."""
    corners = drawing.outline
    edges = np.hstack((corners, np.roll(corners, -1, axis=0)))
    return edges, np.ones(len(edges)), np.empty((0, 3)), np.empty(0)


@lru_cache(maxsize=256)
def _boundaries(drawing: Drawing) -> tuple[Array, Array, Array, Array]:
    """Return segments, their steps, discs and their steps; drawings compare by identity."""
    return (*drawing.segments(), *drawing.discs())


def _project(
    edges: Array,
    edge_steps: Array,
    circles: Array,
    circle_steps: Array,
    drawing: Drawing,
    T_camera_target: Pose,
    camera: Camera,
) -> Chords:
    rotation, translation = T_camera_target.rotation, T_camera_target.translation
    if not rotation[:, 2] @ translation < 0.0:
        raise GeometryError("the camera doesn't see the target's face: it looks at its back")
    plane = np.column_stack((rotation[:, 0], rotation[:, 1], translation))
    surface, relief = _FLAT, drawing.relief
    if drawing.bend is not None:
        size, eye = (drawing.width, drawing.height), -rotation.T @ translation
        if not least_height_over_tangents(relief, *size, eye) > 0.0:
            raise GeometryError("the target's bent plate hides a part of its face from the camera")
        surface = np.array([*relief, drawing.bend.slope(*size), *rotation[:, 2]])
    fault, ends, steps, rays = _chain(
        edges,
        edge_steps,
        circles,
        circle_steps,
        plane,
        surface,
        camera.lens,
        camera.domain_radius**2,
        DEVIATION_PX,
    )
    if fault:
        raise GeometryError(_REASONS[fault])
    return Chords(ends, steps, relief, rays)


@kernel
def _distorted(x: float, y: float, lens: Array) -> tuple[float, float, float]:
    """Return the pixel of normalised coordinates and the sign of the lens's Jacobian."""
    k1, k2, p1, p2, k3 = lens[4], lens[5], lens[6], lens[7], lens[8]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))
    if lens[9] > 0.0:
        radial, slope, _ = wide_radial(r2, k1, k2, k3, lens[9], lens[10], lens[11], lens[12])
        slope *= 2.0
    xx = radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x
    yy = radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x
    xy = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
    u = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
    v = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
    return lens[0] * u + lens[2], lens[1] * v + lens[3], xx * yy - xy * xy


@kernel
def _normalised(x: float, y: float, plane: Array, surface: Array) -> tuple[float, float, float]:
    """Return the undistorted normalised coordinates of a target point, and its depth.

    `surface` has a, b, c of the plate's relief, its largest slope, and its normal.
    """
    z = plane[2, 0] * x + plane[2, 1] * y + plane[2, 2]
    px = plane[0, 0] * x + plane[0, 1] * y + plane[0, 2]
    py = plane[1, 0] * x + plane[1, 1] * y + plane[1, 2]
    if surface[3] > 0.0:
        height = _height(x, y, surface)
        px += height * surface[4]
        py += height * surface[5]
        z += height * surface[6]
    return px / z if z > 0.0 else 0.0, py / z if z > 0.0 else 0.0, z


@kernel
def _height(x: float, y: float, surface: Array) -> float:
    """Return how high a plate's point stands; of a way along it half the second derivative."""
    return float(surface[0] * x * x + surface[1] * y * y + surface[2] * x * y)


@kernel
def _bend(r: float, lens: Array) -> tuple[float, float]:
    """Return bounds of the lens's first and second derivative within radius r.

    With D = p g(q), q = |p|² along a line of unit speed, |q'| <= 2r and q'' = 2, so
    |D''| <= 6 r |g'| + 4 r³ |g''|. The tangential terms are quadratic forms whose two
    components have second derivatives within 2|p1| + 6|p2| and 6|p1| + 2|p2|.
    """
    if lens[9] > 0.0:
        return wide_bend(r, lens)
    k1, k2, k3 = abs(lens[4]), abs(lens[5]), abs(lens[8])
    tangential = 8.0 * (abs(lens[6]) + abs(lens[7]))
    r2 = r * r
    g = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    g1 = k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2)
    g2 = 2.0 * k2 + 6.0 * k3 * r2
    first = g + 2.0 * r2 * g1 + tangential * r
    return first, 6.0 * r * g1 + 4.0 * r * r2 * g2 + tangential


@kernel
def _arcs_of_edge(line: Array, across: float, lens: Array, deviation: float) -> int:
    """Return how many arcs an edge (4,), normalised coordinates, needs; 0 is one chord.

    `across` bounds its second derivative across its direction, by its share: of a bent plate.
    """
    length2 = (line[2] - line[0]) ** 2 + (line[3] - line[1]) ** 2
    r2 = max(line[0] ** 2 + line[1] ** 2, line[2] ** 2 + line[3] ** 2)
    lens_first, lens_second = _bend(np.sqrt(r2), lens)
    bend = max(lens[0], lens[1]) * length2 * lens_second
    if across > 0.0:
        bend += max(lens[0], lens[1]) * lens_first * across
    if bend <= 8.0 * deviation:
        return 0
    return int(np.ceil(np.sqrt(bend / (24.0 * deviation))))


@kernel
def _bend_across(edge: Array, line: Array, depths: Array, surface: Array) -> float:
    """Return a bound of an edge's second derivative across its direction, on a bent plate.

    By its share in the picture, which runs up to the depths' ratio faster than that on the plate.
    The displacement n_xy - n_z p is affine along the line, so its length is largest at an end.
    """
    second = 2.0 * abs(_height(edge[2] - edge[0], edge[3] - edge[1], surface))
    largest = 0.0
    for end in range(0, 4, 2):
        du = surface[4] - surface[6] * line[end]
        dv = surface[5] - surface[6] * line[end + 1]
        largest = max(largest, np.hypot(du, dv))
    near, far = min(depths[0], depths[1]), max(depths[0], depths[1])
    return float(second * largest / near * (far / near) ** 2)


@kernel
def _arcs_of_circle(
    circle: Array, plane: Array, surface: Array, lens: Array, deviation: float
) -> int:
    """Return how many arcs of equal angle a circle x, y, radius needs; -1 if behind.

    With P the camera point and p = P/z its projection, p' = (P' - p z')/z and
    p'' = (P'' - p z'' - 2 p' z')/z; through the lens c'' = f (D' p'' + p'·D''·p'). A bent
    plate adds its height's derivatives to P' and P''.
    """
    radius = circle[2]
    x, y, z = _normalised(circle[0], circle[1], plane, surface)
    swing = radius * np.hypot(plane[2, 0], plane[2, 1])  # of the depth
    if surface[3] > 0.0:
        curvature = 2.0 * max(abs(surface[0]), abs(surface[1])) + abs(surface[2])
        lift = radius * (surface[3] + radius * curvature)
        radius += lift
        swing += abs(surface[6]) * lift
    nearest = z - swing
    if not nearest > 0.0:
        return -1
    offset = np.sqrt(x * x + y * y)
    r = (z * offset + radius) / nearest
    first = (radius + r * swing) / nearest
    second = (radius + r * swing + 2.0 * first * swing) / nearest
    lens_first, lens_second = _bend(r, lens)
    bend = max(lens[0], lens[1]) * (lens_first * second + lens_second * first * first)
    arcs = np.ceil(2.0 * np.pi * np.sqrt(bend / (24.0 * deviation)))
    return -1 if not arcs <= MAX_ARCS else max(4, int(arcs))


@kernel
def _chain(
    edges: Array,
    edge_steps: Array,
    circles: Array,
    circle_steps: Array,
    plane: Array,
    surface: Array,
    lens: Array,
    domain_r2: float,
    deviation: float,
) -> tuple[int, Array, Array, Array]:
    """Return a fault (0 is none), chords (N, 4), their steps (N,) and their rays (N, 4)."""
    nothing, no_steps = np.empty((0, 4)), np.empty(0)
    lines, depths = np.empty((len(edges), 4)), np.empty((len(edges), 2))
    bent = surface[3] > 0.0
    arcs = np.empty(len(edges) + len(circles), dtype=np.int64)
    total = 0
    for i in range(len(edges)):
        for end in range(0, 4, 2):
            x, y, z = _normalised(edges[i, end], edges[i, end + 1], plane, surface)
            if not z > 0.0:
                return _BEHIND, nothing, no_steps, nothing
            if not x * x + y * y < domain_r2:
                return _OUTSIDE_LENS, nothing, no_steps, nothing
            lines[i, end], lines[i, end + 1], depths[i, end // 2] = x, y, z
        across = _bend_across(edges[i], lines[i], depths[i], surface) if bent else 0.0
        arcs[i] = _arcs_of_edge(lines[i], across, lens, deviation)
        if arcs[i] > MAX_ARCS:
            return _BEHIND, nothing, no_steps, nothing
        total += max(1, 2 * arcs[i])
    for i in range(len(circles)):
        n = _arcs_of_circle(circles[i], plane, surface, lens, deviation)
        if n < 0:
            return _BEHIND, nothing, no_steps, nothing
        arcs[len(edges) + i] = n
        total += 2 * n

    ends, steps, rays = np.empty((total, 4)), np.empty(total), np.empty((total, 4))
    k = 0
    for i in range(len(edges) + len(circles)):
        is_edge = i < len(edges)
        step = edge_steps[i] if is_edge else circle_steps[i - len(edges)]
        pieces = max(1, 2 * arcs[i])  # two to an arc: its middle, its end
        u0 = v0 = u_mid = v_mid = x0 = y0 = x_mid = y_mid = 0.0
        for j in range(pieces + 1):
            if is_edge:
                t = j / pieces
                x = lines[i, 2] if j == pieces else lines[i, 0] + t * (lines[i, 2] - lines[i, 0])
                y = lines[i, 3] if j == pieces else lines[i, 1] + t * (lines[i, 3] - lines[i, 1])
                if bent and 0 < j < pieces:  # the plate's point whose share in the picture is t
                    t = t * depths[i, 0] / (depths[i, 1] + t * (depths[i, 0] - depths[i, 1]))
                    x, y, _ = _normalised(
                        edges[i, 0] + t * (edges[i, 2] - edges[i, 0]),
                        edges[i, 1] + t * (edges[i, 3] - edges[i, 1]),
                        plane,
                        surface,
                    )
            else:
                circle = circles[i - len(edges)]
                angle = 0.0 if j == pieces else 2.0 * np.pi * j / pieces
                x, y, _ = _normalised(
                    circle[0] + circle[2] * np.cos(angle),
                    circle[1] + circle[2] * np.sin(angle),
                    plane,
                    surface,
                )
            u, v, determinant = _distorted(x, y, lens)
            if not (x * x + y * y < domain_r2 and determinant > 0.0):
                return _OUTSIDE_LENS, nothing, no_steps, nothing
            if j == 0:
                u0, v0, x0, y0 = u, v, x, y
            elif pieces == 1:
                ends[k, 0], ends[k, 1], ends[k, 2], ends[k, 3] = u0, v0, u, v
                rays[k, 0], rays[k, 1], rays[k, 2], rays[k, 3] = x0, y0, x, y
                steps[k] = step
                k += 1
            elif j % 2 == 1:
                u_mid, v_mid, x_mid, y_mid = u, v, x, y
            else:
                u_c, v_c = 0.5 * (u0 + u), 0.5 * (v0 + v)
                u_mid = u_c + FOUR_THIRDS * (u_mid - u_c)
                v_mid = v_c + FOUR_THIRDS * (v_mid - v_c)
                ends[k, 0], ends[k, 1], ends[k, 2], ends[k, 3] = u0, v0, u_mid, v_mid
                ends[k + 1, 0], ends[k + 1, 1] = u_mid, v_mid
                ends[k + 1, 2], ends[k + 1, 3] = u, v
                rays[k, 0], rays[k, 1], rays[k, 2], rays[k, 3] = x0, y0, x_mid, y_mid
                rays[k + 1, 0], rays[k + 1, 1] = x_mid, y_mid
                rays[k + 1, 2], rays[k + 1, 3] = x, y
                steps[k] = steps[k + 1] = step
                k += 2
                u0, v0, x0, y0 = u, v, x, y
    return 0, ends, steps, rays
