"""How often the verdict passes honest cameras, and fails those that differ from what was said."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np

from bench.characterise.checks import CONTRADICTED, exit_code
from bench.characterise.faces import find_pose
from bench.characterise.held_back import held_of, picture_checks, pipeline_checks
from bench.characterise.known import KnownCamera
from bench.detect.observation import Observation
from bench.geometry.camera import project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, expected_electrons
from bench.imaging.optics import Optics, field_variance
from bench.imaging.picture import Picture
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor, expose
from bench.scene.load import load_bay
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.typing import Array, GreyImage
from reports.characterise.sensors import random_stream
from reports.characterise.supersampled import supersampled

FRAMES = 8
Change = Callable[[GreyImage, Sensor, np.random.Generator], GreyImage]


def honest(grey: GreyImage, sensor: Sensor, rng: np.random.Generator) -> GreyImage:
    """Return the frame as it is."""
    return grey


def rounded(values: Array, like: GreyImage) -> GreyImage:
    """Return grey values of the same type."""
    whole = np.rint(values)
    return whole.astype(np.uint8) if like.dtype == np.uint8 else whole.astype(np.uint16)


def correlated(grey: GreyImage, sensor: Sensor, rng: np.random.Generator) -> GreyImage:
    """Return the frame as if a camera had smoothed it a little: neighbours correlate by 0.2."""
    smooth = cv2.sepFilter2D(grey.astype(np.float64), -1, SOFT, SOFT)
    return rounded(smooth, grey)


def curved(grey: GreyImage, sensor: Sensor, rng: np.random.Generator) -> GreyImage:
    """Return the frame with a gamma of 2.2 that nobody spoke of."""
    span = sensor.full_scale - sensor.black_level
    light = np.clip((grey - sensor.black_level) / span, 0.0, 1.0)
    return rounded(sensor.black_level + span * light ** (1.0 / 2.2), grey)


# Cases of one camera share their light: the view's pose is what tells them from others.
light_by_case = lru_cache(maxsize=2)(supersampled)
SOFT = np.array([0.1, 0.8, 0.1])
# What the camera is, beside what is said of it.
CASES: dict[str, tuple[float, float, Change]] = {
    "honest": (1.0, 0.0, honest),
    "1.5 × noise": (1.5, 0.0, honest),
    "blur off by 0.2 px": (1.0, 0.2, honest),
    "correlated noise": (1.0, 0.0, correlated),
    "gamma 2.2": (1.0, 0.0, curved),
}


def verdict(
    number: int, case: str, pipelines: tuple[Pipeline, ...], *, other_renderer: bool = False
) -> int:
    """Return the exit code for one camera of data-sheet sizes, known as its makers say.

    Its pictures are the bench's own, or those of `reports.characterise.supersampled`.

    Noise times 1.5 is 2.25 times fewer electrons behind the same grey values, and 1.5 times the
    dark noise.
    """
    rng = random_stream("verdict", number)
    bay = load_bay()
    camera, target = bay.towers[0].camera, bay.target
    bits = int(rng.choice([8, 10, 12]))
    full = float(np.exp(rng.uniform(np.log(6e3), np.log(3e4))))
    dark = float(np.exp(rng.uniform(np.log(2.0), np.log(20.0))))
    black = 4.0 * 2 ** (bits - 8)
    sensor = Sensor(0.6, dark, 0.0, 0.005, full, None, bits, black)
    optics = Optics(float(rng.uniform(0.4, 1.3)), field_sigma_px=float(rng.uniform(0.1, 0.5)))
    known = KnownCamera(camera, optics, sensor, 0.01, 0.003)
    view = View(
        float(rng.uniform(2.5, 5.0)),
        turn=float(np.radians(rng.uniform(15.0, 45.0))),
        pitch=0.1,
        roll=float(rng.uniform(-0.3, 0.3)),
        pixel=(
            float(rng.uniform(0.2, 0.8) * camera.width),
            float(rng.uniform(0.2, 0.8) * camera.height),
        ),
    )
    pose = pose_of_view(view, camera)
    factor, blur, change = CASES[case]
    real = replace(
        sensor, full_well=full / factor**2, dark_noise=dark / factor, gain=None
    )  # the same grey values from fewer electrons
    lens = replace(optics, sigma_px=optics.sigma_px + blur)
    region = region_of(target.drawing, pose, camera, 24)
    light = Illumination(float(rng.uniform(0.6, 0.9)), (0.05, -0.03))
    if other_renderer:
        place = project(np.zeros((1, 3)), pose, camera)[0]
        sigma = math.sqrt(float(field_variance(lens, camera, *place)))
        share = light_by_case(target.drawing, pose, camera, sigma, light.gradient, region)
        electrons = np.maximum(share, 0.0) * light.level * real.full_well
    else:
        imaging = Imaging(lens, light, real)
        electrons = expected_electrons(target.drawing, pose, camera, imaging, region)
    noise = random_stream("frames", number, case)
    pictures = [
        Picture(
            change(expose(electrons, real, noise), sensor, noise),
            region.u0,
            region.v0,
            sensor.full_scale,
        )
        for _ in range(FRAMES)
    ]
    start = find_pose(Observation(pictures[0], camera, target, sensor), pipelines)
    if start is None:
        return 3
    held = held_of("held", pictures, start, known, target)
    checks = picture_checks(known, target, held)
    if exit_code(checks) != CONTRADICTED:  # what is off already needs no poses
        checks += pipeline_checks(known, target, [held], pipelines, seed=number)
    return exit_code(checks)


def usual_pipelines() -> tuple[Pipeline, ...]:
    """Return a corner pipeline and the photometric one."""
    return tuple(pipeline_from_name(f"apriltag/{s}") for s in ("ippe-lm", "photometric"))
