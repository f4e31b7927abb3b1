"""The towers' pictures of the bar: found in files, or rendered to rehearse with."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from bench.detect.detection import Found
from bench.detect.observation import Observation
from bench.errors import ConfigError
from bench.imaging.picture import Picture
from bench.imaging.read import read_picture
from bench.imaging.region import region_of
from bench.registration.rehearsal import Scene
from bench.registration.sights import Cameras, End, MeasuredPose, Side, Sight, Step
from bench.render.planar import MARGIN_PX, full_frame, render_target
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.solve.estimate import Outcome
from bench.solve.pipeline import Pipeline
from bench.solve.response import target_points
from bench.targets.target import Target


def steps_from_pictures(
    left: Sequence[Path],
    right: Sequence[Path],
    cameras: Cameras,
    targets: Mapping[End, Target],
    pipeline: Pipeline,
    moved: Callable[[int, int], None] | None = None,
) -> tuple[Step, ...]:
    """Return what a pipeline finds of the bar's targets in pairs of pictures.

    Parameters
    ----------
    left, right : sequence of Path
        One picture a step, in the same order.
    cameras : Cameras
        Both towers'.
    targets : mapping of "A" and "B" to Target
        What to look for; A alone where both towers see the same board.
    pipeline : Pipeline
        Looks for them. Points that its detector finds go into the joint fit; a solver that
        explains grey values, such as photometric, knows more than points, and its poses go in,
        with their covariance.
    moved : function of done and total, optional
        Called as it goes.

    Raises
    ------
    ConfigError
        The two lists differ in length.
    PictureError
        A picture can't be read or isn't of its camera's size.
    """
    if len(left) != len(right):
        raise ConfigError(
            f"{len(left)} left pictures but {len(right)} right ones; every step needs one of each"
        )
    steps = []
    for index, pair in enumerate(zip(left, right, strict=True)):
        sights: list[Sight | MeasuredPose] = []
        sides: tuple[Side, Side] = ("left", "right")
        for side, path in zip(sides, pair, strict=True):
            camera = cameras.of(side)
            picture = read_picture(path, camera)
            for end, target in targets.items():
                sight = sight_of(pipeline, Observation(picture, camera, target), side, end)
                if sight is not None:
                    sights.append(sight)
        steps.append(Step(f"step {index + 1}", tuple(sights)))
        if moved is not None:
            moved(index + 1, len(left))
    return tuple(steps)


def sight_of(
    pipeline: Pipeline, seen: Observation, side: Side, end: End
) -> Sight | MeasuredPose | None:
    """Return what a registration takes from a target in one picture; None where nothing is usable.

    A pose, with its covariance, of a solver that explains grey values; else the detector's points.
    """
    found, estimate = pipeline.run(seen)
    pose, covariance = estimate.T_camera_target_est, estimate.covariance
    if np.isfinite(estimate.chi_square):
        if estimate.outcome is Outcome.OK and pose is not None and covariance is not None:
            return MeasuredPose(side, end, pose, covariance, target_points(seen.target))
        return None
    if found.found is Found.FOUND:
        return Sight(side, end, found.p_target, found.pixels, found.sigma_px)
    return None


def render_pictures(
    bay: Bay, scene: Scene, rng: np.random.Generator
) -> Iterator[tuple[str, Picture]]:
    """Yield the name and full frame of each tower's picture in each step.

    Each target is rendered by the planar path on its own; where one frame has two, the second's
    plate is put into the first's frame.
    """
    for index, seen in enumerate(scene.glimpses):
        for tower, side in zip(tower_pair(bay), ("left", "right"), strict=True):
            camera = scene.cameras[side]
            frame = None
            for glimpse in seen:
                if glimpse.tower != side:
                    continue
                target = bay.bar.target(glimpse.end)
                T = glimpse.T_camera_target
                # a target s times as large is the same picture from 1/s of the distance
                near = replace(T, translation=T.translation / scene.sizes[glimpse.end])
                if frame is None:
                    region = full_frame(camera)
                    picture = render_target(target, near, camera, tower.imaging, rng, region)
                    frame = picture.grey.copy()
                    continue
                region = region_of(target.drawing, near, camera, MARGIN_PX)
                picture = render_target(target, near, camera, tower.imaging, rng, region)
                height, width = picture.grey.shape
                frame[region.v0 : region.v0 + height, region.u0 : region.u0 + width] = picture.grey
            if frame is not None:
                full_scale = tower.imaging.sensor.full_scale
                yield f"{side}{index + 1:02d}", Picture(frame, full_scale=full_scale)
