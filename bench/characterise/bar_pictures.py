"""Pictures of two markers on one bar, measured for what must not change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from bench.cameras.measuring import same_marker
from bench.characterise.checks import Check
from bench.characterise.faces import looked_at
from bench.characterise.known import KnownCamera
from bench.characterise.measure import Setup
from bench.characterise.rigid import LEAST_PLACES, BarView, bar_of
from bench.characterise.series import read_frame
from bench.errors import ConfigError, PictureError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.solve.default_pipeline import is_photometric
from bench.targets.target import Target
from bench.units import length


def bar_length_of(text: str) -> tuple[float, float]:
    """Return a length and its standard uncertainty, metres, of "800 mm +- 0.1 mm".

    Raises
    ------
    ConfigError
        It isn't written so.
    """
    value, mark, u = text.replace("±", "+-").partition("+-")
    if not mark:
        raise ConfigError(f"--bar-length: must be like '800 mm +- 0.1 mm', got '{text}'")
    try:
        found = length(value.strip()), length(u.strip())
    except ValueError as error:
        raise ConfigError(f"--bar-length: {error}") from error
    if not (found[0] > 0.0 and found[1] > 0.0):
        raise ConfigError(f"--bar-length: both must be above 0, got '{text}'")
    return found


def bar_in_pictures(
    paths: Sequence[Path],
    known: KnownCamera,
    target: Target,
    second: int,
    setup: Setup,
    known_m: tuple[float, float] | None,
) -> list[Check]:
    """Return what a bar with the target and its like of another id shows.

    Raises
    ------
    TargetError, ConfigError
        The target isn't a single marker, or has that id itself.
    PictureError
        Too few pictures show both.
    """
    other = same_marker(target, second)
    if set(other.markers) == set(target.markers):
        raise ConfigError(f"--second: {second} is the bay's own marker")
    pipeline = next((p for p in setup.pipelines if is_photometric(p.name)), setup.pipelines[0])
    views = []
    for path in paths:
        picture = read_frame(path, known.camera, known.sensor.bit_depth)
        seen = looked_at(picture, known.camera, target, known.sensor)
        first = pipeline.run(seen)[1]
        far = pipeline.run(replace(seen, target=other))[1]
        poses = [one.T_camera_target_est for one in (first, far)]
        if poses[0] is None or poses[1] is None or first.covariance is None:
            continue
        middle = 0.5 * (poses[0].translation + poses[1].translation)
        place = project(middle[None, :] - poses[0].translation, _unturned(poses[0]), known.camera)
        half = 0.5 * np.array([known.camera.width, known.camera.height])
        views.append(BarView(path.name, first, far, (place[0] - half) / half))
    bar = bar_of(views, known_m)
    if bar is None:
        raise PictureError(
            f"--rigid: both markers are found in {len(views)} pictures; {LEAST_PLACES} are needed"
        )
    return bar.checks


def _unturned(pose: Pose) -> Pose:
    """Return a pose at the same place whose axes are the camera's."""
    return Pose(np.eye(3), pose.translation)
