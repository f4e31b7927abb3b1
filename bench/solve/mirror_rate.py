"""Rate at which the mirrored pose must win: the planar ambiguity's own error rate.

Two poses explain a plane's picture; noise decides which explains it better. Where the pictures
they predict differ by d standard deviations of the noise, the wrong one wins with probability
Q(d/2), the error of a likelihood-ratio test between two known signals in white Gaussian noise
with equal priors (Kay 1998, Fundamentals of Statistical Signal Processing: Detection Theory,
section 4.3); no test errs less often. Here d is the distance from the true picture to the
nearest one that the mirrored branch can give, all nuisance parameters fitted.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from bench.detect.detection import Detection, Found
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import angle_between
from bench.geometry.viewing import mirrored_normal
from bench.imaging.model import Imaging, expected_electrons
from bench.imaging.picture import Region
from bench.imaging.pixels import choose_pixels, face_mask
from bench.imaging.sensor import mean_dn, variance_dn
from bench.solve.ambiguity import mirrored_fit, mirrored_pose
from bench.solve.image_fit import Scene, fit_image
from bench.solve.points import planar_points
from bench.solve.refine import Fit
from bench.targets.drawing import Drawing
from bench.typing import Array

# A fit from the mirrored pose that ends nearer to the true normal than this share of the way
# between the two has gone back: there is no second branch.
OWN_BRANCH = 0.5


def mirrored_share(distance: float) -> float:
    """Return Q(d/2), the share of pictures in which the mirrored branch wins; NaN for NaN."""
    return float(ndtr(-0.5 * distance))


def corner_distance(
    p_target: Array, T_camera_target: Pose, camera: Camera, sigma_px: float
) -> float:
    """Return how far the mirrored branch is from exact corners, in standard deviations.

    Parameters
    ----------
    p_target : (N, 3) float64
        Points, metres.
    T_camera_target : Pose
        Where they are.
    camera : Camera
        Intrinsics.
    sigma_px : float
        Standard deviation of each pixel coordinate, independent.

    Returns
    -------
    float
        √(SSE of the mirrored fit) / σ; NaN where there is no second branch.

    Raises
    ------
    GeometryError
        A point has no image.
    """
    pixels = project(p_target, T_camera_target, camera)
    points = planar_points(Detection(Found.FOUND, pixels, p_target), camera)
    if points is None:
        return math.nan
    true = Fit(T_camera_target.rotation, T_camera_target.translation, 0.0)
    other = mirrored_fit(true, points, camera)
    if not (math.isfinite(other.sse_px2) and _apart(other.rotation, T_camera_target)):
        return math.nan
    return math.sqrt(other.sse_px2) / sigma_px


def image_distance(
    drawing: Drawing, T_camera_target: Pose, camera: Camera, imaging: Imaging, region: Region
) -> float:
    """Return how far the mirrored branch is from the expected picture, in standard deviations.

    Blur and light are fitted to it, too. Parameters as `bench.solve.bounds.image_bound`.

    Returns
    -------
    float
        √χ² of the mirrored fit; NaN where there is no second branch.

    Raises
    ------
    GeometryError
        The target has no image.
    """
    electrons = expected_electrons(drawing, T_camera_target, camera, imaging, region)
    sigma_px, sensor = imaging.optics.sigma_px, imaging.sensor
    mask = face_mask(drawing, T_camera_target, camera, sigma_px, region)
    mask &= electrons < sensor.saturation_electrons
    pixels = choose_pixels(drawing, T_camera_target, camera, sigma_px, region, mask)
    grey = pixels.of(mean_dn(electrons, sensor))
    weights = 1.0 / pixels.of(variance_dn(electrons, sensor))
    scene = Scene(drawing, camera, pixels, grey)
    try:
        other = fit_image(scene, mirrored_pose(T_camera_target), sigma_px, lambda _: weights)
    except GeometryError:
        return math.nan
    return (
        math.sqrt(other.chi_square) if _apart(other.pose.rotation, T_camera_target) else math.nan
    )


def _apart(rotation: Array, T_camera_target: Pose) -> bool:
    """Tell whether a fit's normal is on the mirrored side of the true one."""
    normal, mirrored = T_camera_target.rotation[:, 2], mirrored_normal(T_camera_target)
    found = np.asarray(rotation[:, 2])
    between = angle_between(normal, mirrored)
    return bool(angle_between(found, normal) > OWN_BRANCH * between > 0.0)
