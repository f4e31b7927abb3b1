"""The gentle bend of a plate that isn't flat: bow across, bow up, twist.

The plate's points stand over its plane at::

    z(x, y) = across X² + up Y² + twist X Y      X = 2 x / width, Y = 2 y / height

so each size is in metres at the plate's corners, positive out of the face, and the middle stays
where it is: what `bench.solve.response` takes to first order and a bay file's [budget] sizes by
`flatness`. A point of the drawing keeps its x and y: a sheet that is bent without stretching
shortens by half the mean square of its slope, a sixth of the largest slope squared for a bow, 4e-7
of a plate of 250 mm that is bowed by 0.1 mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.errors import TargetError
from bench.typing import Array

# Largest slope that counts as gentle, 2.9 degrees: what is left out of lengths is then 4e-4.
MAX_SLOPE = 0.05


@dataclass(frozen=True)
class Bend:
    """How far a plate's corners stand out of its plane, metres, one number a mode.

    Attributes
    ----------
    across : float
        Bow across: of the upright edges; positive is hollow to the viewer.
    up : float
        Bow up: of the level edges; positive is hollow too.
    twist : float
        Of the corners top right and bottom left; the other two go back as far.
    """

    across: float = 0.0
    up: float = 0.0
    twist: float = 0.0

    def check(self, width: float, height: float) -> None:
        """Raise unless a plate of this size, metres, is bent gently.

        Raises
        ------
        TargetError
            A number isn't finite, or a slope is beyond `MAX_SLOPE`.
        """
        slope = self.slope(width, height)
        if not slope <= MAX_SLOPE:  # also catches NaN
            sizes = ", ".join(f"{1000 * size:.6g}" for size in (self.across, self.up, self.twist))
            raise TargetError(
                f"bend: across, up, twist of {sizes} mm give a plate of {1000 * width:.6g} x "
                f"{1000 * height:.6g} mm a slope of {slope:.2g}; at most {MAX_SLOPE:g} is gentle"
            )

    def slope(self, width: float, height: float) -> float:
        """Return a bound of the plate's slope, which a corner reaches."""
        return math.hypot(
            (2.0 * abs(self.across) + abs(self.twist)) / (0.5 * width),
            (2.0 * abs(self.up) + abs(self.twist)) / (0.5 * height),
        )

    def relief(self, width: float, height: float) -> tuple[float, float, float]:
        """Return a, b, c of z = a x² + b y² + c x y, 1/m."""
        w, h = 0.5 * width, 0.5 * height
        return self.across / (w * w), self.up / (h * h), self.twist / (w * h)


def bend_modes(xy: Array, width: float, height: float) -> Array:
    """Return X², Y² and X Y (N, 3) of points (N, 2) of a plate: heights by unit bend."""
    across, up = xy[:, 0] / (0.5 * width), xy[:, 1] / (0.5 * height)
    return np.column_stack((across**2, up**2, across * up))


def least_height_over_tangents(
    relief: tuple[float, float, float], width: float, height: float, eye: Array
) -> float:
    """Return the least height of a point over a plate's tangent planes, metres.

    Where it is positive every point of the face is seen: on the plate's section by any plane
    through the eye and upright to the plate, the direction of sight then turns one way only.

    Parameters
    ----------
    relief : (float, float, float)
        Of `Bend.relief`.
    width, height : float
        Of the plate, metres.
    eye : (3,) float64
        The point, target frame, metres.
    """
    a, b, c = relief
    ex, ey, ez = (float(value) for value in eye)

    def over(x: float, y: float) -> float:
        # z_e - z - ∇z · (e - p), and ∇z · p = 2 z
        own = a * x * x + b * y * y + c * x * y
        return ez + own - (2.0 * a * x + c * y) * ex - (2.0 * b * y + c * x) * ey

    w, h = 0.5 * width, 0.5 * height
    # a quadratic is least at a corner, where it is level along an edge, or where it is level
    points = [(x, y) for x in (-w, w) for y in (-h, h)]
    if a > 0.0:
        points += [(ex + c * (ey - y) / (2.0 * a), y) for y in (-h, h)]
    if b > 0.0:
        points += [(x, ey + c * (ex - x) / (2.0 * b)) for x in (-w, w)]
    points.append((ex, ey))
    return min(over(x, y) for x, y in points if abs(x) <= w and abs(y) <= h)
