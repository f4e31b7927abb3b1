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
