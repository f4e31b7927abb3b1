import numpy as np
import pytest

from bench.geometry.camera import Camera
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle

WHITE, BLACK, BACKGROUND = 0.85, 0.05, 0.35


@pytest.fixture(scope="session")
def pinhole():
    return Camera(1600, 1200, 3000.0, 2990.0, 801.3, 597.8, pixel_pitch=3.45e-6)


@pytest.fixture(scope="session")
def barrel():
    """A lens that bends: 25 px at the corner of its picture, tangential terms included."""
    return Camera(1600, 1200, 1500.0, 1495.0, 801.3, 597.8, (-0.21, 0.07, 1e-3, -7e-4, 0.012))


@pytest.fixture(scope="session")
def square_drawing():
    """A white plate of 0.24 m with a black square of 0.2 m."""
    plate = Area((rectangle(-0.12, -0.12, 0.12, 0.12),), WHITE, BACKGROUND)
    square = Area((rectangle(-0.1, -0.1, 0.1, 0.1),), BLACK, WHITE)
    return Drawing(0.24, 0.24, BACKGROUND, (plate, square))


@pytest.fixture(scope="session")
def disc_drawing():
    """A white plate of 0.24 m with a black disc of 0.15 m off its centre."""
    plate = Area((rectangle(-0.12, -0.12, 0.12, 0.12),), WHITE, BACKGROUND)
    return Drawing(0.24, 0.24, BACKGROUND, (plate, Disc(0.02, -0.01, 0.075, BLACK, WHITE)))


@pytest.fixture(scope="session")
def mixed_drawing():
    """A plate with a square that has a hole, a slanted triangle and a disc."""
    plate = Area((rectangle(-0.12, -0.1, 0.12, 0.1),), WHITE, BACKGROUND)
    hole = rectangle(-0.07, 0.01, -0.04, 0.05)[::-1]
    frame = Area((rectangle(-0.1, -0.02, -0.01, 0.08), hole), BLACK, WHITE)
    triangle = Area((np.array([[0.02, -0.08], [0.11, -0.05], [0.05, 0.0]]),), 0.5, WHITE)
    return Drawing(
        0.24, 0.2, BACKGROUND, (plate, frame, triangle, Disc(0.06, 0.05, 0.03, BLACK, WHITE))
    )
