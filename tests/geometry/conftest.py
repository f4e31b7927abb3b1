"""Cameras and numerical derivatives shared by the geometry tests."""

from collections.abc import Callable

import numpy as np
import pytest

from bench.geometry.camera import Camera
from bench.typing import Array


@pytest.fixture
def wide_camera() -> Camera:
    """Return a wide lens with strong distortion of every kind, principal point off centre."""
    return Camera(1600, 1200, 1210.0, 1195.0, 811.3, 587.6, (-0.21, 0.09, 1.2e-3, -0.8e-3, -0.01))


@pytest.fixture
def tower_camera() -> Camera:
    """Return a long lens without distortion, as a tower might carry."""
    return Camera(2448, 2048, 3000.0, 3000.0, 1223.5, 1023.5)


@pytest.fixture
def derivative() -> Callable[..., tuple[Array, float]]:
    """Return a central difference that knows its own error."""

    def central(f: Callable[[Array], Array], x: Array) -> tuple[Array, float]:
        """Return d f/d x, (*f.shape, len(x)), and a bound on its error.

        With steps h and 2h, D(h) - D(2h) is three times the truncation error h² f'''/6 of
        D(h); rounding adds eps |f| / h, where f itself carries a few dozen roundings.
        """
        x = np.asarray(x, dtype=np.float64)
        # balances h² against eps / h for functions that change on the scale of x
        h = np.finfo(float).eps ** (1 / 3) * np.maximum(np.abs(x), 0.1)

        def difference(factor: float) -> Array:
            columns = []
            for i in range(len(x)):
                step = np.zeros_like(x)
                step[i] = factor * h[i]
                columns.append((f(x + step) - f(x - step)) / (2 * factor * h[i]))
            return np.stack(columns, axis=-1)

        near, far = difference(1.0), difference(2.0)
        truncation = np.max(np.abs(near - far))
        rounding = 64 * np.finfo(float).eps * np.max(np.abs(f(x))) / np.min(h)
        return near, float(truncation + rounding)

    return central
