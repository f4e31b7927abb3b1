"""The planar path against a public path tracer, at equal noise.

The path tracer's picture differs from the exact one by noise that falls with the samples. As many
are taken as bring the difference's RMS over the picture down to that of rounding to 8 bits.
"""

from __future__ import annotations

import json
import math
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.imaging.region import region_of
from bench.render.planar import MARGIN_PX
from bench.typing import Array
from reports.throughput import mitsuba_pictures
from reports.throughput.opengl import planar
from reports.throughput.setting import (
    FULL_SCALE,
    Options,
    pinhole,
    plain_poses,
    plain_target,
)
from reports.throughput.timing import interleaved, ratio, spread

SIZE_PX = 100.0
SAMPLES = tuple(2**k for k in range(4, 14))
EQUAL_DN = 1.0 / math.sqrt(12.0)  # of rounding to whole grey values


def cells_of(cells: int) -> Array:
    """Return the plain target's reflectance, one value a cell, (cells, cells)."""
    drawing = plain_target().drawing
    middle = 0.5 * (cells - 1)
    camera = Camera(cells, cells, float(cells), float(cells), middle, middle)
    facing = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, drawing.width]))
    return reflectance_image(drawing, facing, camera, Region(0, 0, cells, cells))


def scene_of(pose: Pose, region: Region, file: Path) -> dict[str, Any]:
    """Return what `mitsuba_pictures` needs to know."""
    camera, drawing = pinhole(), plain_target().drawing
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = pose.rotation, pose.translation
    return {
        "width": region.width,
        "height": region.height,
        "f": camera.fx,
        "cx": camera.cx - region.u0,
        "cy": camera.cy - region.v0,
        "T_camera_target": matrix.tolist(),
        "half": 0.5 * drawing.width,
        "cells": cells_of(10).tolist(),
        "background": drawing.background,
        "file": str(file),
    }


class Tracer:
    """A running path tracer."""

    def __init__(self, process: subprocess.Popen[str], file: Path) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self._in: IO[str] = process.stdin
        self._out: IO[str] = process.stdout
        self._file = file
        self.greeting: dict[str, Any] = {}
        self.seconds = 0.0

    def ask(self, line: str) -> dict[str, Any]:
        """Send a line and return the answer."""
        try:
            self._in.write(line + "\n")
            self._in.flush()
        except BrokenPipeError:  # it said why and left
            pass
        return dict(json.loads(self._out.readline() or '{"missing": "it ended at once"}'))

    def picture(self, samples: int) -> Array:
        """Return the picture (H, W) by so many samples a pixel; `seconds` tells its time."""
        self.seconds = self.ask(str(samples))["seconds"]
        return np.asarray(np.load(self._file), dtype=np.float64)


@contextmanager
def tracer(python: str, pose: Pose, region: Region) -> Iterator[Tracer]:
    """Start the path tracer; its `greeting` says what is missing, if anything."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "picture.npy"
        with subprocess.Popen(
            [python, "-I", str(mitsuba_pictures.__file__)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as process:
            found = Tracer(process, file)
            found.greeting = found.ask(json.dumps(scene_of(pose, region, file)))
            try:
                yield found
            finally:
                found._in.close()


def measure(options: Options) -> dict[str, Any]:
    """Return samples needed, noise, times and ratio; ``missing`` where there is no mitsuba."""
    pose = plain_poses(SIZE_PX, 1)[0]
    region = region_of(plain_target().drawing, pose, pinhole(), MARGIN_PX)
    exact = planar(pose, region)
    with tracer(options.path_tracer, pose, region) as traced:
        if "missing" in traced.greeting:
            return {"missing": f"mitsuba isn't installed: {traced.greeting['missing']}"}
        noise: dict[str, float] = {}
        samples = SAMPLES[-1]
        for candidate in SAMPLES:
            rms = float(np.sqrt(np.mean((traced.picture(candidate) - exact) ** 2)))
            noise[str(candidate)] = FULL_SCALE * rms
            if noise[str(candidate)] <= EQUAL_DN:
                samples = candidate
                break
        inner: list[float] = []

        def trace() -> None:
            traced.picture(samples)
            inner.append(traced.seconds)

        times = interleaved(
            {"planar": lambda: planar(pose, region), "mitsuba": trace}, options.few(7, 3)
        )
    slow = inner[1:]  # without the pipe and the file; the first was for warming up
    return {
        **traced.greeting,
        "pixels": region.width * region.height,
        "noise_dn": noise,
        "asked_dn": EQUAL_DN,
        "samples": samples,
        "reached": noise[str(samples)] <= EQUAL_DN,
        "planar_ms": spread([1e3 * s for s in times["planar"]]),
        "mitsuba_ms": spread([1e3 * s for s in slow]),
        "ratio": ratio(slow, times["planar"]),
    }
