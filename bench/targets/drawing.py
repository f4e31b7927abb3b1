"""A target as a drawing: shapes of one reflectance each, in the target's own plane.

Every design, from a single marker to a grid of circles, is this one class. The rasteriser
needs only the boundaries and the step of reflectance across each; the print sheet fills the
shapes in order. Units are metres; x runs right, y up, seen from the front; the origin is the
plate's centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.digest import later
from bench.errors import TargetError
from bench.targets.bend import Bend
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Area:
    """A region bounded by closed polygons, painted with one reflectance.

    Attributes
    ----------
    rings : tuple of (N, 2) float64
        Closed polygons without a repeated last vertex: outer ones anticlockwise, holes
        clockwise, so that the painted side is always on the left.
    reflectance : float
        Of the paint, 0 to 1.
    below : float
        Reflectance of what it is painted on, which must be the same under all of it.
    """

    rings: tuple[Array, ...]
    reflectance: float
    below: float


@dataclass(frozen=True)
class Disc:
    """A filled circle, painted with one reflectance; `below` as for `Area`."""

    x: float
    y: float
    radius: float
    reflectance: float
    below: float


@dataclass(frozen=True, eq=False)
class Drawing:
    """Piecewise-constant reflectance of a plane.

    Attributes
    ----------
    width, height : float
        Of the plate, metres.
    background : float
        Reflectance of everything beyond the plate, 0 to 1.
    shapes : tuple of Area or Disc
        In painting order; the first is the plate. Since each shape lies on one uniform
        reflectance, ``reflectance(p) = background + sum of (reflectance - below) over the
        shapes that contain p``, a sum whose order doesn't matter: the rasteriser uses it.
    bend : Bend or None
        Of a plate that isn't flat; `replace(drawing, bend=...)` bends a flat one. Light over it
        is taken to be even: by Lambert's cosine it changes by the slope times the tangent of the
        light's incidence, 0.3 % from edge to edge at 45 degrees for 0.1 mm on 250 mm, nearly
        linear over the plate.

    Raises
    ------
    TargetError
        The plate has no size, a reflectance lies outside 0 to 1, or the bend isn't gentle.
    """

    width: float
    height: float
    background: float
    shapes: tuple[Area | Disc, ...]
    bend: Bend | None = later(None)

    def __post_init__(self) -> None:
        if not (self.width > 0 and self.height > 0):
            raise TargetError(f"plate must have a size, got {self.width} x {self.height} m")
        for value in (self.background, *(s.reflectance for s in self.shapes)):
            if not 0.0 <= value <= 1.0:
                raise TargetError(f"reflectance must lie in 0 to 1, got {value}")
        if self.bend is not None:
            self.bend.check(self.width, self.height)

    @property
    def relief(self) -> tuple[float, float, float]:
        """a, b, c of the face's height z = a x² + b y² + c x y, 1/m; zeros where it is flat."""
        return (0.0, 0.0, 0.0) if self.bend is None else self.bend.relief(self.width, self.height)

    @property
    def outline(self) -> Array:
        """Plate corners (4, 2), anticlockwise from bottom left, metres."""
        w, h = 0.5 * self.width, 0.5 * self.height
        return np.array([[-w, -h], [w, -h], [w, h], [-w, h]])

    def segments(self) -> tuple[Array, Array]:
        """Return all straight edges (M, 4) as x0, y0, x1, y1 and their steps (M,).

        The step is the reflectance on the left of the edge minus that on its right.
        """
        edges, steps = [np.empty((0, 4))], [np.empty(0)]
        for shape in self.shapes:
            if isinstance(shape, Area):
                for ring in shape.rings:
                    edges.append(np.hstack((ring, np.roll(ring, -1, axis=0))))
                    steps.append(np.full(len(ring), shape.reflectance - shape.below))
        return np.vstack(edges), np.concatenate(steps)

    def discs(self) -> tuple[Array, Array]:
        """Return all circles (K, 3) as x, y, radius and their steps (K,), inside minus out."""
        found = [s for s in self.shapes if isinstance(s, Disc)]
        circles = np.array([[s.x, s.y, s.radius] for s in found]).reshape(-1, 3)
        return circles, np.array([s.reflectance - s.below for s in found])
