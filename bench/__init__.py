"""sightbench: a test bench for fiducial targets seen from fixed camera towers.

>>> import bench
>>> bay = bench.load_bay()  # the one that ships with the package
>>> bay.target.name
'marker 36h11-7, 200 mm'

Frames: camera x right, y down, z ahead; lengths are metres, angles radians, pixels count from the
centre of the first. Names load when they are first used.
"""

from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.geometry.viewing import View, pose_of_view
    from bench.render.planar import render_target
    from bench.scene.camera_file import read_camera
    from bench.scene.load import load_bay
    from bench.targets.spec import target_from_spec
    from bench.workbench import (
        calibrate,
        characterise_camera,
        estimate_pose,
        limits,
        measure,
        predict,
        print_target,
        survey_bay,
    )

try:
    __version__ = version("sightbench")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0+unknown"

_HOMES = {
    "load_bay": "bench.scene.load",
    "read_camera": "bench.scene.camera_file",
    "target_from_spec": "bench.targets.spec",
    "View": "bench.geometry.viewing",
    "pose_of_view": "bench.geometry.viewing",
    "render_target": "bench.render.planar",
    "estimate_pose": "bench.workbench",
    "survey_bay": "bench.workbench",
    "limits": "bench.workbench",
    "predict": "bench.workbench",
    "measure": "bench.workbench",
    "calibrate": "bench.workbench",
    "characterise_camera": "bench.workbench",
    "print_target": "bench.workbench",
}

__all__ = [
    "View",
    "__version__",
    "calibrate",
    "characterise_camera",
    "estimate_pose",
    "limits",
    "load_bay",
    "measure",
    "pose_of_view",
    "predict",
    "print_target",
    "read_camera",
    "render_target",
    "survey_bay",
    "target_from_spec",
]


def __getattr__(name: str) -> Any:
    """Load a name of the public face from its home."""
    if name not in _HOMES:
        raise AttributeError(f"module 'bench' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return __all__
