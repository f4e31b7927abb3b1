"""Settings and fixtures shared by all tests."""

import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

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

pytest_plugins = ("fixtures.figures", "fixtures.surveys")

# the same examples in every run: a failure can be met again, and none comes by chance
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


def pytest_configure() -> None:
    """Give a worker one thread: libraries that start one a core would get in each other's way."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # read by workers, which start later


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Say what browsers took: times are for the log, and nothing depends on them.

    Here, since the process that hands tests to workers reads no other room's settings.
    """
    for report in terminalreporter.getreports("passed"):
        for name, value in getattr(report, "user_properties", ()):
            if report.nodeid.startswith("tests/browser/") and report.when == "call":
                terminalreporter.write_line(f"{name.replace('_', ' ')}: {value}")


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
within = "0.2 deg"
toe = "0.1 deg"
thrust = "0.1 deg"
"""


@pytest.fixture
def common_practice_bay() -> str:
    """Return the text of a bay file of common practice."""
    return COMMON_PRACTICE_BAY


PATIENCE_S = 60.0  # far above what anything here takes; a test that would hang ends


class Cluster:
    """A scheduler on a free port of the loopback address, and workers by the same commands that
    a user would give.
    """

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.processes: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._start("scheduler", "--host", "127.0.0.1", "--port", "0")
        self.address = self._await_address()

    def worker(self, name: str) -> "subprocess.Popen[bytes]":
        return self._start(
            *("worker", self.address, "--nthreads", "1", "--name", name, "--no-nanny"),
            *("--host", "127.0.0.1", "--local-directory", str(self.directory)),
        )

    def end(self) -> None:
        for process in self.processes:
            process.kill()
        for process in self.processes:
            process.wait()

    def log(self, index: int) -> Path:
        return self.directory / f"{index}.log"

    def _start(self, *arguments: str) -> "subprocess.Popen[bytes]":
        log = self.log(len(self.processes))
        with log.open("w") as file:
            process = subprocess.Popen(
                [sys.executable, "-m", "dask", *arguments, "--no-dashboard"],
                stdout=file,
                stderr=file,
                env=os.environ | {"OMP_NUM_THREADS": "1"},
            )
        self.processes.append(process)
        return process

    def _await_address(self) -> str:
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end and self.scheduler.poll() is None:
            found = re.search(r"Scheduler at:\s+(tcp://\S+)", self.log(0).read_text())
            if found:
                return found[1]
            time.sleep(0.05)
        raise AssertionError(self.log(0).read_text())


@pytest.fixture
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A Dask scheduler without workers; `worker(name)` starts one."""
    pytest.importorskip("distributed")
    cluster = Cluster(tmp_path_factory.mktemp("cluster"))
    try:
        yield cluster
    finally:
        cluster.end()
