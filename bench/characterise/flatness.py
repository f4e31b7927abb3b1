"""Flatness of a plate, from its faces in several views.

A bend moves boundaries by how steeply they are seen from aside, so that views that differ tell it
from the pose: derivatives of a face's grey values by bow across, bow up and twist, less what pose,
blur and light explain of them, are fitted to what the faces leave, all views at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.characterise.faces import free_fits
from bench.characterise.photon_transfer import Number
from bench.detect.observation import Observation
from bench.geometry.pose import Pose
from bench.imaging.appearance import jacobian, predict
from bench.solve.image_fit import ImageFit, Scene, reflectance_at
from bench.solve.noise import Noise
from bench.targets.bend import Bend
from bench.typing import Array

MODES = ("bow across", "bow up", "twist")
LEAST_VIEWS, MOST_VIEWS = 3, 12
STEP_M = 2e-4  # boundaries move by far less than a pixel
# Metres: a plate of 250 mm whose bend isn't known better hardly has its flatness measured.
MOST_U_M = 2e-3


@dataclass(frozen=True)
class Flatness:
    """How far a plate's corners stand out of its plane, as so many `views` told it.

    `modes` are bow across, bow up and twist, metres, as `bench.targets.bend.Bend` has them.
    """

    modes: tuple[Number, ...]
    views: int

    @property
    def words(self) -> str:
        """Say it."""
        told = (f"{n} {m.times(1e3, 'mm').words}" for n, m in zip(MODES, self.modes, strict=True))
        return f"plate: {', '.join(told)}"


def flatness_of(faces: Sequence[tuple[Observation, Pose]], noise: Noise) -> Flatness | None:
    """Return how flat the plate is of views with poses near enough; None where they don't tell."""
    each = [_equations(scene, fit) for scene, fit in free_fits(faces[-MOST_VIEWS:], noise)]
    if len(each) < LEAST_VIEWS:
        return None
    total, pull = (np.sum(part, axis=0) for part in zip(*each, strict=True))
    if np.linalg.cond(total) > 1e12:
        return None
    covariance = np.linalg.inv(total)
    bend = covariance @ pull
    # how views disagree widens it (Birge): print, light and lens are no plate's bend
    left = sum(
        float((g - a @ bend) @ np.linalg.pinv(a, hermitian=True) @ (g - a @ bend)) for a, g in each
    )
    sigma = np.sqrt(np.diag(covariance) * max(left / (3.0 * (len(each) - 1)), 1.0))
    if np.max(sigma) > MOST_U_M:
        return None
    modes = tuple(Number(float(b), float(u), "m") for b, u in zip(bend, sigma, strict=True))
    return Flatness(modes, len(each))


def _equations(scene: Scene, fit: ImageFit) -> tuple[Array, Array]:
    """Return the information (3, 3) and gradient (3,) of a bend, all else free."""

    def grey(bend: Bend) -> Array:
        bent = replace(scene, drawing=replace(scene.drawing, bend=bend))
        whole = reflectance_at(bent, fit.pose, fit.blur_px, fit.amounts, None)
        return predict(whole, fit.light, scene.pixels)

    ways = STEP_M * np.eye(3)
    bent = [grey(Bend(*way)) - grey(Bend(*-way)) for way in ways]
    rows = np.stack(bent, axis=1) / (2.0 * STEP_M)
    own = jacobian(fit.sensitivity, fit.reflectance, fit.light, scene.pixels)
    root = np.sqrt(fit.weights)[:, None]
    free = rows * root
    basis = np.linalg.qr(own * root / np.linalg.norm(own * root, axis=0))[0]
    free -= basis @ (basis.T @ free)
    return free.T @ free, free.T @ ((scene.grey - fit.predicted) * root[:, 0])
