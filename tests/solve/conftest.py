"""Cameras and point sets shared by the solver tests."""

import numpy as np
import pytest

from bench.geometry.camera import Camera
from bench.typing import Array


@pytest.fixture
def lens() -> Camera:
    """Return a camera with distortion of every kind and unequal focal lengths."""
    return Camera(2448, 2048, 3010.0, 2990.0, 1230.0, 1015.0, (-0.11, 0.06, 8e-4, -6e-4, -0.01))


@pytest.fixture
def square() -> Array:
    """Return the corners (4, 3) of a marker of 0.2 m: TL, TR, BR, BL, metres."""
    return 0.1 * np.array([[-1.0, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])


@pytest.fixture
def grid() -> Array:
    """Return 5 x 4 points (20, 3), 50 mm apart, off the target's centre, metres."""
    x, y = np.meshgrid(0.05 * np.arange(5), 0.05 * np.arange(4))
    return np.column_stack((x.ravel() - 0.08, y.ravel() - 0.07, np.zeros(20)))
