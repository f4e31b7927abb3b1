"""How well the bar and its spirit level give the level."""

from __future__ import annotations

import numpy as np

from bench.scene.bar import Bar
from bench.typing import Array


def level_from_bar(bar: Bar) -> Array:
    """Return the covariance (2, 2) of the level about the bay's x and y, radians².

    The bar is read both ways round: its own error and the level's change sign and cancel, and
    two readings of the spirit level remain.
    """
    return np.eye(2) * bar.level_sensitivity**2 / 2.0
