"""How long pictures take: a region of 100 x 100 px step by step, and a region against a frame."""

from __future__ import annotations

from typing import Any

import numpy as np

from bench.imaging.model import capture, expected_electrons
from bench.imaging.picture import Region
from bench.imaging.raster import reflectance_image
from bench.render.planar import full_frame, render_target
from reports.throughput.setting import (
    SIZES_PX,
    Options,
    bay,
    pinhole,
    plain_poses,
    plain_target,
)
from reports.throughput.timing import growth, interleaved, ratio, spread

SIDE = 100
SIDES = (50, 100, 200, 400, 800)


def square(side: int) -> Region:
    """Return a square of so many pixels in the middle of the sensor."""
    camera = pinhole()
    return Region(round(camera.cx - side / 2), round(camera.cy - side / 2), side, side)


def measure(options: Options) -> dict[str, Any]:
    """Return times of steps, of region and frame, and growth with pixels."""
    imaging = bay().towers[0].imaging
    target, camera = plain_target(), bay().towers[0].camera
    drawing = target.drawing
    rng = np.random.default_rng(1)
    pose = plain_poses(0.75 * SIDE, 1)[0]  # the plate fills the square, a margin left
    region = square(SIDE)
    steps = interleaved(
        {
            "rasterise": lambda: reflectance_image(drawing, pose, pinhole(), region),
            "rasterise, distorted": lambda: reflectance_image(drawing, pose, camera, region),
            "optics and light": lambda: expected_electrons(drawing, pose, camera, imaging, region),
            "optics, light, sensor": lambda: capture(drawing, pose, camera, imaging, region, rng),
        },
        options.few(200, 30),
    )
    frames: dict[str, Any] = {}
    for name, size in SIZES_PX.items():
        view = plain_poses(size, 1)[0]

        def region_picture(view: Any = view) -> Any:
            return render_target(target, view, camera, imaging, rng)

        def frame_picture(view: Any = view) -> Any:
            return render_target(target, view, camera, imaging, rng, full_frame(camera))

        times = interleaved({"region": region_picture, "frame": frame_picture}, options.few(7, 2))
        frames[name] = {
            "region_ms": spread([1e3 * s for s in times["region"]]),
            "frame_ms": spread([1e3 * s for s in times["frame"]]),
            "ratio": ratio(times["frame"], times["region"]),
        }
    return {
        "side_px": SIDE,
        "steps_ms": {name: spread([1e3 * s for s in t]) for name, t in steps.items()},
        "frames": frames,
        "growth": _growth(options),
    }


def _growth(options: Options) -> dict[str, Any]:
    """Return times and exponents of a picture that the target fills, by its pixels."""
    imaging, camera, target = bay().towers[0].imaging, bay().towers[0].camera, plain_target()
    rng = np.random.default_rng(2)
    poses = {side: plain_poses(0.75 * side, 1)[0] for side in SIDES}
    found: dict[str, Any] = {}
    rasterise = {
        str(side): (
            lambda side=side: reflectance_image(target.drawing, poses[side], camera, square(side))
        )
        for side in SIDES
    }
    take = {
        str(side): (
            lambda side=side: capture(
                target.drawing, poses[side], camera, imaging, square(side), rng
            )
        )
        for side in SIDES
    }
    for name, functions in (("rasterise", rasterise), ("picture", take)):
        times = interleaved(functions, options.few(15, 3))
        medians = [float(np.median(times[str(side)])) for side in SIDES]
        found[name] = {
            "pixels": [side * side for side in SIDES],
            "ms": [1e3 * m for m in medians],
            **growth([side * side for side in SIDES], medians),
        }
    return found
