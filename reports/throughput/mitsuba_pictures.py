"""Pictures by the path tracer mitsuba, scalar variant, one thread: a program of its own.

It imports nothing of the bench, so that the Python that has mitsuba needs numpy besides and no
more. The first line read is the scene, JSON; each line after it a number of samples a pixel; for
each a line is written: seconds, and the picture's file.
"""

from __future__ import annotations

import json
import os
import sys
from importlib import import_module
from time import perf_counter
from typing import Any


def main() -> int:
    """Answer until the input ends."""
    import numpy as np

    answers = os.fdopen(os.dup(1), "w")  # mitsuba itself writes its progress to 1
    os.dup2(2, 1)
    try:
        drjit: Any = import_module("drjit")
        mi: Any = import_module("mitsuba")
    except ImportError as error:
        print(json.dumps({"missing": str(error)}), file=answers, flush=True)
        return 0
    mi.set_variant("scalar_rgb")
    mi.set_log_level(mi.LogLevel.Error)
    drjit.set_thread_count(1)
    asked = json.loads(sys.stdin.readline())
    scene = mi.load_dict(_scene(mi, asked))
    print(
        json.dumps({"version": mi.__version__, "variant": mi.variant()}), file=answers, flush=True
    )
    for line in sys.stdin:
        samples = int(line)
        start = perf_counter()
        bitmap = mi.render(scene, spp=samples, seed=1)
        seconds = perf_counter() - start
        np.save(asked["file"], np.asarray(bitmap)[..., 0])
        print(json.dumps({"seconds": seconds}), file=answers, flush=True)
    return 0


def _scene(mi: Any, asked: dict[str, Any]) -> dict[str, Any]:
    """Return a plate that shines as bright as it reflects, before a pinhole."""
    import numpy as np

    width, height = asked["width"], asked["height"]
    # its camera looks along +z with x to the left and y up; ours has x right and y down
    turned = np.diag([-1.0, -1.0, 1.0, 1.0])
    plate = np.array(asked["T_camera_target"]) @ np.diag([asked["half"], asked["half"], 1.0, 1.0])
    # a texture's first row lies at v = 0, the plate's bottom
    cells = np.array(asked["cells"], dtype=np.float32)[::-1, :, None].copy()
    return {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 2},
        "sensor": {
            "type": "perspective",
            "fov": float(np.degrees(2.0 * np.arctan(0.5 * width / asked["f"]))),
            "fov_axis": "x",
            "near_clip": 0.1,
            "far_clip": 1000.0,
            "principal_point_offset_x": 0.5 - (asked["cx"] + 0.5) / width,
            "principal_point_offset_y": 0.5 - (asked["cy"] + 0.5) / height,
            "to_world": mi.ScalarTransform4f(turned),
            "film": {
                "type": "hdrfilm",
                "width": width,
                "height": height,
                "rfilter": {"type": "box"},
                "pixel_format": "luminance",
                "component_format": "float32",
            },
            "sampler": {"type": "multijitter"},
        },
        "behind": {"type": "constant", "radiance": asked["background"]},
        "plate": {
            "type": "rectangle",
            "to_world": mi.ScalarTransform4f(plate),
            "bsdf": {"type": "diffuse", "reflectance": 0.0},
            "emitter": {
                "type": "area",
                "radiance": {
                    "type": "bitmap",
                    "bitmap": mi.Bitmap(cells),
                    "filter_type": "nearest",
                    "raw": True,
                },
            },
        },
    }


if __name__ == "__main__":
    sys.exit(main())
