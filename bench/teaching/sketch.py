"""Panel of a teaching picture's schematic, and what is drawn in it.

Axes are in inches of the panel, `WIDE` and `HIGH`. Camera on the left, looking right; what is on
the right in its picture is drawn below the line of sight. Angles are true where they aren't said
to be enlarged; lengths aren't.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from bench.scene.model import Bay
from bench.teaching.marks import heading
from bench.teaching.scenes import Scene
from bench.teaching.trials import Illustrated
from bench.typing import Array

WIDE, HIGH = 2.25, 1.8
EYE = np.array([0.25, 0.95])
REACH = 1.35  # from camera to plate
HALF = 0.22  # of a plate


@dataclass(frozen=True, eq=False)
class Sketch:
    """What a schematic is drawn with.

    Attributes
    ----------
    axes : Axes
        Of the panel.
    shown : Illustrated
        Whose view.
    scene : Scene
        The spoilt one, also beside the good view.
    bad : bool
        Whether this is the spoilt view.
    bay : Bay
        Where towers and lamps stand.
    values, words : dict of str to str
        Numbers as texts, and the catalogue's words.
    at : (2,) float64
        The plate's middle.
    toward, normal : float
        Directions from the plate to the camera, and of its face, radians.
    """

    axes: Axes
    shown: Illustrated
    scene: Scene
    bad: bool
    bay: Bay
    values: dict[str, str]
    words: dict[str, str]
    at: Array
    toward: float
    normal: float


def box(middle: Array, direction: float, deep: float, across: float) -> Array:
    """Return the corners (4, 2) of a box, so deep along a direction and so wide across it."""
    n, a = heading(direction), heading(direction + 0.5 * math.pi)
    ring = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    return np.array([middle + 0.5 * (i * deep * n + j * across * a) for i, j in ring])
