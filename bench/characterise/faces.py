"""A target's face in one picture, fitted for what the camera did to it: blur, light, ink.

The photometric solver's own fit (`bench.solve.image_fit`), asked for what a pose leaves open: the
blur with its uncertainty, its ellipse, ink spread, and the light. Pose and blur hardly answer each
other, since a round blur moves no boundary.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from bench.detect.observation import Observation
from bench.errors import GeometryError, TargetError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import tilt_of_pose
from bench.imaging.appearance import POSE
from bench.imaging.picture import Picture, Region
from bench.solve.face import face_after, face_of
from bench.solve.image_fit import EVERYTHING, ImageFit, Scene, fit_image
from bench.solve.imprint import scaled_inverse
from bench.solve.noise import Noise
from bench.solve.pipeline import Pipeline
from bench.solve.robust import FLAT, strength_of
from bench.solve.weights import Weigher
from bench.typing import Array, BoolArray

START_BLUR_PX = 0.7
KINDS = ("ellipse", "ink")
MARGIN_PX = 24  # of a crop around the plate, in which detectors and noise look


@dataclass(frozen=True, eq=False)
class FaceFit:
    """What one picture says.

    Attributes
    ----------
    name, pose : str, Pose
        Of the picture; target to camera.
    place : (float, float)
        Where its centre appears, pixels.
    blur_px, u_blur_px : float
        Standard deviation of the round blur.
    ellipse, u_ellipse : (2,) float64
        Half the difference of the blur's variances across and down, and their covariance, px².
    ink_m, u_ink_m : float
        By which black has grown at its boundaries; NaN for a drawing that takes none.
    light, region : (4,) float64, Region
        As `bench.imaging.appearance` has it, and in which its coordinates are.
    chi_square, degrees : float
        Of the fit.
    tilt : float
        Radians.
    """

    name: str
    pose: Pose
    place: tuple[float, float]
    blur_px: float
    u_blur_px: float
    ellipse: Array
    u_ellipse: Array
    ink_m: float
    u_ink_m: float
    light: Array
    region: Region
    chi_square: float
    degrees: float
    tilt: float

    @property
    def range_m(self) -> float:
        """Camera centre to target centre, metres."""
        return float(np.linalg.norm(self.pose.translation))

    def light_at_centre(self, camera: Camera) -> tuple[float, float, float]:
        """Return the light at the target's centre, DN for reflectance 1, and its slopes, 1/m.

        Slopes are relative, to the right and down, at the target's distance.
        """
        r = self.region
        half = 0.5 * max(r.width, r.height)
        middle = [r.u0 + 0.5 * (r.width - 1), r.v0 + 0.5 * (r.height - 1)]
        level = float(self.light[1] + self.light[2:4] @ (np.array(self.place) - middle) / half)
        z = float(self.pose.translation[2])
        slopes = self.light[2:4] / half / level * np.array([camera.fx, camera.fy]) / z
        return level, float(slopes[0]), float(slopes[1])


def find_pose(observation: Observation, pipelines: Sequence[Pipeline]) -> Pose | None:
    """Return a pose of the target from the first pipeline that finds it."""
    for pipeline in pipelines:
        estimate = pipeline.run(observation)[1]
        if estimate.T_camera_target_est is not None:
            return estimate.T_camera_target_est
    return None


def fit_face(
    name: str, observation: Observation, start: Pose, noise: Noise, kinds: tuple[str, ...] = KINDS
) -> FaceFit:
    """Return what a picture says, from a pose near enough.

    Raises
    ------
    GeometryError, numpy.linalg.LinAlgError
        Too little of the face is in the picture.
    """
    scene, plain = free_fit(observation, start, noise)
    fit = plain
    with suppress(GeometryError, TargetError, np.linalg.LinAlgError):
        fit = fit_image(replace(scene, kinds=kinds), fit.pose, fit.blur_px, Weigher(noise))
    sigma = np.sqrt(np.maximum(np.diag(scaled_inverse(fit.information)), 0.0))
    # what a drawing takes none of isn't a number
    nothing = np.full(3 - len(fit.amounts), np.nan)
    amounts = np.append(fit.amounts, nothing)
    own = np.append(sigma[POSE + 1 : POSE + 1 + len(fit.amounts)], nothing)
    u, v = project(np.zeros((1, 3)), fit.pose, observation.camera)[0]
    return FaceFit(
        name=name,
        pose=fit.pose,
        place=(float(u), float(v)),
        blur_px=fit.blur_px,
        u_blur_px=float(sigma[POSE]),
        ellipse=amounts[:2],
        u_ellipse=own[:2],
        ink_m=float(amounts[2]),
        u_ink_m=float(own[2]),
        light=fit.light,
        region=scene.pixels.region,
        chi_square=plain.chi_square,
        degrees=float(len(scene.grey) - len(plain.information)),
        tilt=tilt_of_pose(fit.pose),
    )


def free_fit(observation: Observation, start: Pose, noise: Noise) -> tuple[Scene, ImageFit]:
    """Return the pixels that show the face, all of them, and their fit with the blur free.

    Errors are those of `bench.solve.face.face_of`.
    """
    every = replace(observation, sensor=None)  # every pixel, not a sample of flat ones
    rough = face_of(every, start, START_BLUR_PX, noise)
    fit = fit_image(rough.scene, start, START_BLUR_PX, Weigher(noise))
    face = face_after(every, rough, fit, noise)
    if face is not rough:
        fit = fit_image(face.scene, fit.pose, fit.blur_px, Weigher(noise))
    return face.scene, fit


def free_fits(
    faces: Sequence[tuple[Observation, Pose]], noise: Noise
) -> Iterator[tuple[Scene, ImageFit]]:
    """Yield `free_fit` of those faces that can be fitted, their poses near enough."""
    for observation, pose in faces:
        with suppress(GeometryError, np.linalg.LinAlgError):
            yield free_fit(observation, pose, noise)


def blur_held(scene: Scene, fit: ImageFit, blur_px: float, noise: Noise) -> ImageFit:
    """Return the fit with the blur held: what a camera that is known leaves."""
    free = EVERYTHING.copy()
    free[POSE] = False
    return fit_image(scene, fit.pose, blur_px, Weigher(noise), free)


def flat_parts(scene: Scene, fit: ImageFit) -> tuple[BoolArray, BoolArray]:
    """Return which pixels (N,) are flat, and which lie on strong boundaries."""
    strength = strength_of(scene, fit)
    most = float(np.max(strength))
    return strength < FLAT * most, strength > 0.3 * most


def crop(picture: Picture, region: Region) -> Picture:
    """Return the part of a picture that shows a region of the sensor."""
    top, left = region.v0 - picture.v0, region.u0 - picture.u0
    part = picture.grey[top : top + region.height, left : left + region.width]
    return Picture(part, region.u0, region.v0, picture.full_scale)
