"""Settings and fixtures shared by all tests."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import settings

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.imaging.picture import Picture
from bench.solve.estimate import Estimate, Solver
from bench.targets.design import MarkerDesign, build_target
from bench.typing import Array

# the same examples in every run: a failure can be met again, and none comes by chance
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


@pytest.fixture
def solve_for() -> Callable[..., Estimate]:
    """Return a function that hands points to a solver, as if a detector had found them."""
    target = build_target(MarkerDesign())
    picture = Picture(np.zeros((4, 4), dtype=np.uint8))

    def solve(
        solver: Solver, p_target: Array, pixels: Array, camera: Camera, sigma_px: float = 0.1
    ) -> Estimate:
        detection = Detection(Found.FOUND, pixels, p_target, sigma_px=sigma_px)
        return solver.solve(detection, Observation(picture, camera, target))

    return solve


# Common practice, no source: towers 13 ft apart and 15 ft at most, near axle 9 ft from them, far
# axle 50 ft behind the near one, wheels 0.85 m off the centre line, one plate's width of margin.
# Parameters of tests only. The rest of the file (lens, sensor, target, mounts) is our own.
COMMON_PRACTICE_BAY = """
name = "Common practice"
standoff = "9 ft"

[camera]
width = 2448
height = 2048
pixel_pitch = "3.45 um"
focal_length = "16 mm"
optics.sigma = "0.6 px"

[light]
level = 0.7

[[tower]]
name = "left"
offset = "6 ft 6 in"
height = "1.2 m"
yaw = "10.5 deg"
pitch = "-10 deg"

[[tower]]
name = "right"
offset = "-6 ft 6 in"
height = "1.2 m"
yaw = "-10.5 deg"
pitch = "-10 deg"

[[vehicle]]
name = "long vehicle"

[[vehicle.axle]]
name = "front"
behind = "0 m"
track = "1.70 m"
wheel_height = "0.45 m"
tyre_width = "0.25 m"

[[vehicle.axle]]
name = "rear"
behind = "50 ft"
track = "1.70 m"
wheel_height = "0.45 m"
tyre_width = "0.25 m"

[mount]
outboard = "0.30 m"
turn = "-20 deg"
turn_presets = "-20, 0, 20 deg"

[target]
kind = "marker"
size = "200 mm"
plate = ["260 mm", "260 mm"]

[siting]
spacing = ["10 ft", "15 ft"]
height = ["0.6 m", "2 m"]
standoff = ["9 ft", "9 ft"]
lenses = "12, 16, 25, 35 mm"
margin = 1.0

[survey]
ranges = "2.8, 5, 9, 13, 18.1 m"
turns = "0, 20, 40 deg"
trials = 20
pipelines = ["apriltag/ippe-lm"]

[tolerance]
rotation = "0.1 deg"
"""


@pytest.fixture
def common_practice_bay() -> str:
    """Return the text of a bay file of common practice."""
    return COMMON_PRACTICE_BAY
