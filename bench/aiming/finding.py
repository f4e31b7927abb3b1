"""Targets found in a whole picture of a tower, each with its marker and place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.imaging.picture import Picture
from bench.scene.model import Bay, Tower
from bench.solve.default_pipeline import detector_of
from bench.solve.estimate import Estimate
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.targets.target import Target
from bench.typing import Array

# Corners suffice: 1 px is 0.02 deg in the shipped bay, a fifth of what aiming stops at.
SOLVER = "ippe-lm"
# Kinds whose detectors say every marker that they read, whoever's it is.
READ_ALL = ("marker", "grid")
MOST = 8  # targets with one marker that a picture is searched for


@dataclass(frozen=True, eq=False)
class FoundTarget:
    """A target in a picture.

    Attributes
    ----------
    marker : int or None
        Its first marker, where ids tell wheels apart.
    owner : str or None
        The wheel that this marker belongs to; None without ids.
    T_camera_target : Pose
        Where it is.
    centre_px : (2,) float64
        Where its centre appears.
    outline_px : (4, 2) float64
        Its plate's corners.
    """

    marker: int | None
    owner: str | None
    T_camera_target: Pose
    centre_px: Array
    outline_px: Array

    @property
    def position(self) -> Array:
        """Its centre, camera frame, metres (3,)."""
        return self.T_camera_target.translation


@dataclass(frozen=True, eq=False)
class Search:
    """What a picture shows.

    Attributes
    ----------
    targets : tuple of FoundTarget
        Those found.
    foreign : tuple of int
        Markers that were read and are no wheel's; empty without ids.
    twice : tuple of int
        Markers that were read more than once, where each wheel has its own.
    """

    targets: tuple[FoundTarget, ...]
    foreign: tuple[int, ...] = ()
    twice: tuple[int, ...] = ()


def find_targets(bay: Bay, tower: Tower, picture: Picture) -> Search:
    """Return the bay's targets that a tower's picture shows.

    With ids by wheel each is looked for by its own; without, the one is looked for again and
    again, what was found painted over.

    Raises
    ------
    PlugInError
        A detector or solver broke its contract.
    """
    pipeline = pipeline_from_name(f"{detector_of(bay.target)}/{SOLVER}")
    if not bay.wheel_targets:
        return Search(tuple(_alike(bay.target, tower, picture, pipeline)))
    found, read = [], set[int]()
    twice: set[int] = set()
    for wheel, target in bay.wheel_targets:
        if read and target.kind in READ_ALL and not read & set(target.markers):
            continue
        detection, estimate = _look(target, tower, picture, pipeline)
        ids = list(detection.marker_ids)
        read |= set(ids)
        twice |= {marker for marker in ids if ids.count(marker) > 1}
        one = _found(target, tower, detection, estimate, wheel)
        if one is not None:
            found.append(one)
    own = {marker for _, target in bay.wheel_targets for marker in target.markers}
    return Search(tuple(found), tuple(sorted(read - own)), tuple(sorted(twice & own)))


def _alike(
    target: Target, tower: Tower, picture: Picture, pipeline: Pipeline
) -> Iterator[FoundTarget]:
    """Yield targets that look alike, one after the other."""
    grey = picture.grey.copy()
    for _ in range(MOST):
        left = replace(picture, grey=grey)
        one = _found(target, tower, *_look(target, tower, left, pipeline), None)
        if one is None:
            return
        yield one
        tone = int(np.median(grey))
        cv2.fillConvexPoly(grey, np.round(one.outline_px).astype(np.int32), tone)


def _look(
    target: Target, tower: Tower, picture: Picture, pipeline: Pipeline
) -> tuple[Detection, Estimate]:
    return pipeline.run(Observation(picture, tower.camera, target, tower.imaging.sensor))


def _found(
    target: Target, tower: Tower, detection: Detection, estimate: Estimate, wheel: str | None
) -> FoundTarget | None:
    """Return a target with its place; None where it wasn't found or has no image there."""
    T = estimate.T_camera_target_est
    if detection.found is not Found.FOUND or T is None:
        return None
    outline = np.column_stack((target.drawing.outline, np.zeros(4)))
    try:
        pixels = project(np.vstack((np.zeros(3), outline)), T, tower.camera)
    except GeometryError:
        return None
    marker = min(target.markers) if wheel is not None else None
    return FoundTarget(marker, wheel, T, pixels[0], pixels[1:])
