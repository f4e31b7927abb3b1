"""Series as they were read: what is known before, and the part of each frame with the target."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.characterise.faces import MARGIN_PX, crop, find_pose
from bench.characterise.known import proportional
from bench.characterise.series import Series, held_from, middle_of, read_frame
from bench.characterise.stack import Stack, reduce_stack
from bench.detect.observation import Observation
from bench.errors import GeometryError, PictureError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture, Region
from bench.imaging.processing import Curve
from bench.imaging.region import region_of
from bench.solve.pipeline import Pipeline
from bench.targets.target import Target

SAME_PLACE_PX, MOST_MOVED_PX = 1.0, 2.0


@dataclass(frozen=True, eq=False)
class Setup:
    """What is known before: the data sheet's camera, the target, and what to run.

    Attributes
    ----------
    camera : Camera
        Intrinsics.
    imaging : Imaging
        As said; optics and sensor of what can't be measured, and the bits.
    target : Target
        In the pictures.
    pipelines : tuple of Pipeline
        To judge; the first that finds the target gives the start.
    seed : int
        Of rendered repeats.
    as_said : bool
        Hold the camera as it is said against the pictures, without measuring it.
    """

    camera: Camera
    imaging: Imaging
    target: Target
    pipelines: tuple[Pipeline, ...]
    seed: int
    as_said: bool = False

    def pose_in(self, picture: Picture) -> Pose | None:
        """Return where the target is, by the first pipeline that finds it."""
        return find_pose(Observation(picture, self.camera, self.target), self.pipelines)


@dataclass(frozen=True, eq=False)
class Shot:
    """A series as it was read: the part of its frames that shows the target."""

    series: Series
    pictures: list[Picture]
    pose: Pose | None

    @property
    def repeated(self) -> bool:
        """Whether it is repeats of a scene."""
        return self.series.kind == "repeats"

    @property
    def fitted(self) -> int:
        """How many frames aren't held back."""
        return held_from(len(self.pictures)) if self.repeated else len(self.pictures)

    def stack(self, curve: Curve | None = None) -> Stack:
        """Return the frames that aren't held back, reduced, a response curve undone."""
        used = [proportional(picture, curve) for picture in self.pictures[: self.fitted]]
        corner = (used[0].u0, used[0].v0)
        grey = np.stack([picture.grey for picture in used])
        return reduce_stack(self.series.name, grey, used[0].full_scale, corner)


def read_shot(one: Series, setup: Setup, before: list[Shot]) -> Shot:
    """Return a series' frames, cut to its target, where an unmoved one before it had it.

    Raises
    ------
    PictureError, ConfigError
        A picture can't be read, doesn't show the target, or isn't the repeat that it is named.
    """
    bits = setup.imaging.sensor.bit_depth
    first, pose = read_frame(one.paths[0], setup.camera, bits), None
    region: Region | None = middle_of(setup.camera)
    if one.kind in ("repeats", "view"):
        pose = setup.pose_in(first)
        region = _region(pose, before, setup)
    if region is None:
        raise PictureError(f"{one.paths[0]}: {setup.target.name} isn't found in it")
    rest = [crop(read_frame(path, setup.camera, bits), region) for path in one.paths[1:]]
    if one.kind == "repeats" and pose is not None:
        end = setup.pose_in(rest[-1])
        if end is None or _apart_px(pose, end, setup) > MOST_MOVED_PX:
            raise PictureError(
                f"{one.paths[-1]}: isn't a repeat of {one.paths[0].name}: the target isn't within "
                f"{MOST_MOVED_PX:g} px of where it was; give views names of their own"
            )
    return Shot(one, [crop(first, region), *rest], pose)


def _apart_px(first: Pose, second: Pose, setup: Setup) -> float:
    """Return how far the plate's corners are apart in the picture, pixels, at most."""
    outline = setup.target.drawing.outline
    corners = np.column_stack((outline, np.zeros(len(outline))))
    try:
        ends = [project(corners, pose, setup.camera) for pose in (first, second)]
    except GeometryError:
        return math.inf
    return float(np.max(np.abs(ends[0] - ends[1])))


def _region(pose: Pose | None, before: list[Shot], setup: Setup) -> Region | None:
    """Return the part that shows the target; that of an earlier series where it stands alike."""
    earlier = [(shot.pose, shot.pictures[0].region) for shot in before if shot.repeated]
    if pose is None:  # too bright to be found: it stands where it stood
        return next((region for start, region in reversed(earlier) if start is not None), None)
    for start, region in earlier:
        if start is not None and _apart_px(pose, start, setup) < SAME_PLACE_PX:
            return region
    try:
        return region_of(setup.target.drawing, pose, setup.camera, MARGIN_PX)
    except GeometryError:
        return None
