"""Photographs of wheels' targets that tell each other apart by their ids."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from bench.cameras.photographs import Measurement
from bench.detect.detection import Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera
from bench.imaging.read import read_picture
from bench.scene.load import load_bay
from bench.solve.pipeline import Pipeline
from bench.targets.target import Target


def read_wheel_targets(text: str) -> dict[str, Target]:
    """Return the targets of a bay file's wheels by wheel; none of a line, or without ids.

    Raises
    ------
    ConfigError
        The bay file is faulty.
    """
    return dict(load_bay(Path(text)).wheel_targets) if text.lower().endswith(".toml") else {}


def measure_wheels(
    path: Path, camera: Camera, targets: Mapping[str, Target], pipelines: list[Pipeline]
) -> list[Measurement]:
    """Measure those wheels' targets that are in a picture, told apart by their ids.

    Where none is, there is one measurement that says so.
    """
    picture = read_picture(path, camera)
    found = []
    for pipeline in pipelines:
        own = []
        for wheel, target in targets.items():
            observation = Observation(picture, camera, target)
            detection = pipeline.detect(observation)
            estimate = pipeline.solve(detection, observation)
            one = Measurement(str(path), pipeline.name, observation, detection, estimate, wheel)
            own.append(one)
        there = [one for one in own if one.detection.found is Found.FOUND]
        found += there or [replace(own[0], wheel=None)]
    return found
