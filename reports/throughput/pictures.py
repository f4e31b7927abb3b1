"""How long pictures take: a region of 100 x 100 px step by step, and a region against a frame."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from bench.geometry.pose import Pose
from bench.imaging.model import capture, expected_electrons
from bench.imaging.picture import Picture, Region
from bench.imaging.raster import reflectance_image
from bench.render.planar import full_frame, render_target
from reports.throughput.setting import SIZES_PX, Options, bay, plain_poses, plain_target
from reports.throughput.timing import interleaved, ratio, spread_ms

SIDE = 100


def measure(options: Options) -> dict[str, Any]:
    """Return times of steps, of region and frame."""
    tower, target = bay().towers[0], plain_target()
    camera, imaging, drawing = tower.camera, tower.imaging, target.drawing
    rng = np.random.default_rng(1)
    pose = plain_poses(0.75 * SIDE, 1)[0]  # the plate fills the square, a margin left
    corner = round(camera.cx - SIDE / 2), round(camera.cy - SIDE / 2)
    region = Region(*corner, SIDE, SIDE)
    steps = interleaved(
        {
            "rasterise": lambda: reflectance_image(drawing, pose, camera, region),
            "optics and light": lambda: expected_electrons(drawing, pose, camera, imaging, region),
            "optics, light, sensor": lambda: capture(drawing, pose, camera, imaging, region, rng),
        },
        options.few(200, 30),
    )

    def picture(view: Pose, region: Region | None = None) -> Picture:
        return render_target(target, view, camera, imaging, rng, region)

    frames: dict[str, Any] = {}
    for name, size in SIZES_PX.items():
        view = plain_poses(size, 1)[0]
        times = interleaved(
            {
                "region": partial(picture, view),
                "frame": partial(picture, view, full_frame(camera)),
            },
            options.few(7, 2),
        )
        frames[name] = {
            "region_ms": spread_ms(times["region"]),
            "frame_ms": spread_ms(times["frame"]),
            "ratio": ratio(times["frame"], times["region"]),
        }
    return {
        "side_px": SIDE,
        "steps_ms": {name: spread_ms(seconds) for name, seconds in steps.items()},
        "frames": frames,
    }
