import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from scipy.special import erf

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.picture import Picture
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.face import face_of
from bench.solve.image_fit import fit_image
from bench.solve.noise import noise_of_sensor
from bench.solve.photometric import PhotometricSolver
from bench.solve.robust import (
    BIWEIGHT_SIGMAS,
    MAD_TO_SIGMA,
    STRONG,
    biweight,
    fit_robustly,
    loss,
    strength_of,
)
from bench.solve.weights import Weigher
from bench.targets.design import build_target
from bench.targets.marker import MarkerDesign

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
TARGET = build_target(MarkerDesign(size=0.2))
CORNERS = np.column_stack((TARGET.markers[0], np.zeros(4)))
SENSOR = Sensor()
NOISE = noise_of_sensor(SENSOR)
POSE = pose_of_view(View(9.0, 0.7, 0.05, 0.1, (900.3, 800.6)), CAMERA)


def observe(rng, optics, spoil=None):
    region = region_of(TARGET.drawing, POSE, CAMERA, 8.0)
    picture = capture(TARGET.drawing, POSE, CAMERA, Imaging(optics, sensor=SENSOR), region, rng)
    if spoil is not None:
        picture = Picture(spoil(picture.grey), picture.u0, picture.v0, picture.full_scale)
    return Observation(picture, CAMERA, TARGET, SENSOR)


def fit(observation):
    scene = face_of(observation, POSE, 0.6, NOISE).scene
    return scene, fit_image(scene, POSE, 0.6, Weigher(NOISE))


def test_biweight_trusts_small_residuals_and_drops_large_ones():
    z = np.array([0.0, 0.1, 3.0, BIWEIGHT_SIGMAS, 50.0])
    weights = biweight(z)
    assert weights[0] == 1.0
    assert weights[2] == pytest.approx((1.0 - 0.25) ** 2)  # (1 - (3/6)²)²: Tukey's formula
    assert weights[3] == weights[4] == 0.0
    # of small residuals the loss is their squares, of any it is bounded by 6²/3
    assert loss(np.array([0.1]), 1.0) == pytest.approx(0.01, rel=3e-4)
    assert loss(np.array([1e3]), 1.0) == pytest.approx(12.0)
    assert loss(np.array([0.2]), 2.0) == pytest.approx(0.04, rel=3e-4)


def test_no_pixel_is_dropped_and_no_mismatch_found_where_the_model_is_right():
    rng = np.random.default_rng(6)
    scene, best = fit(observe(rng, Optics(0.6)))
    robust = fit_robustly(scene, best, Weigher(NOISE))
    # of 6000 Gaussian residuals none reaches 6; the mean weight is 1 - 2/36 + 3/36² = 0.947
    assert np.mean(robust.weigh.trust) == pytest.approx(0.947, abs=0.003)
    # Boundaries differ in strength, and the median of a mixture of widths lies above that of their
    # median: as far as its own equation says. Beyond it, a squared median deviation of some
    # thousand pixels scatters by 7 %; three times that of the noise, in pixels of motion, is 0.2
    strength = strength_of(scene, best)
    strong = strength > STRONG * np.max(strength)
    widths = np.sqrt(NOISE.variance(best.predicted[strong])) / strength[strong]
    noise_px = np.median(widths)
    middle = brentq(lambda m: np.mean(erf(m / widths / np.sqrt(2.0))) - 0.5, 0.0, 10.0 * noise_px)
    mixed = (MAD_TO_SIGMA * middle) ** 2 - noise_px**2
    assert robust.mismatch_px**2 < mixed + 0.2 * noise_px**2
    assert robust.scale == pytest.approx(1.0, abs=0.05)


def test_boundaries_stay_in_where_another_lens_leaves_residuals_on_them():
    rng = np.random.default_rng(7)
    moved = Optics(0.5, motion_px=(2.0, 0.6))
    scene, best = fit(observe(rng, moved))
    robust = fit_robustly(scene, best, Weigher(NOISE))
    near = robust.weigh.trust[: scene.pixels.near]
    assert robust.mismatch_px > 0.01
    assert np.mean(near) > 0.8
    assert np.mean(near == 0.0) < 0.02


@pytest.mark.slow
def test_covariance_covers_what_another_lens_does():
    rng = np.random.default_rng(8)
    moved = Optics(0.5, motion_px=(2.0, 0.6))
    squares = []
    for _ in range(12):
        seen = observe(rng, moved)
        pixels = project(CORNERS, POSE, CAMERA) + rng.normal(0.0, 0.1, (4, 2))
        estimate = PhotometricSolver().solve(Detection(Found.FOUND, pixels, CORNERS), seen)
        found = estimate.T_camera_target_est
        rotation = log_rotation(POSE.rotation.T @ found.rotation)
        squares.append((rotation / np.sqrt(np.diag(estimate.covariance)[:3])) ** 2)
        assert "ellipse" in estimate.light  # of the two motions; what is beyond it stays
    # not noise, the same in every picture: within two and a half of the deviations claimed
    assert np.all(np.sqrt(np.mean(squares, axis=0)) < 2.5)


def test_an_obstacle_is_dropped_and_the_rest_kept():
    rng = np.random.default_rng(10)

    def bar(grey):
        spoiled = grey.copy()
        spoiled[:, grey.shape[1] // 2 : grey.shape[1] // 2 + 8] = 20
        return spoiled

    observation = observe(rng, Optics(0.6), bar)
    scene, best = fit(observation)
    robust = fit_robustly(scene, best, Weigher(NOISE))
    trust = np.ones(scene.pixels.region.width * scene.pixels.region.height)
    trust[scene.pixels.index] = robust.weigh.trust
    trust = trust.reshape(scene.pixels.region.height, scene.pixels.region.width)
    u = np.arange(scene.pixels.region.width) + scene.pixels.region.u0
    first = observation.picture.u0 + observation.picture.grey.shape[1] // 2
    behind = (u >= first) & (u < first + 8)
    kept = np.zeros(trust.shape, dtype=bool)
    kept.ravel()[scene.pixels.index] = True
    # white and grey behind the bar differ from it; black doesn't
    assert np.mean(trust[:, behind][kept[:, behind]] < 0.5) > 0.4
    assert np.mean(trust[:, ~behind][kept[:, ~behind]]) > 0.9
    assert_allclose(
        log_rotation(POSE.rotation.T @ robust.fit.pose.rotation), 0.0, atol=np.deg2rad(0.1)
    )
