import numpy as np
import pytest
from scipy import stats

from bench.cameras.calibration_change import change_between, change_words
from bench.errors import ConfigError
from bench.geometry.camera import Camera

CAMERA = Camera(1280, 960, 1400.0, 1403.0, 645.0, 470.0, (-0.2, 0.1, 5e-4, -3e-4, 0.02))
SIGMA = np.array([0.5, 0.5, 0.8, 0.8, 2e-3, 5e-3, 1e-4, 1e-4, 1e-2])
COVARIANCE = np.diag(SIGMA**2)


def changed(change):
    return CAMERA.changed(np.asarray(change)), COVARIANCE


def test_a_calibration_hasn_t_changed_from_itself():
    change = change_between((CAMERA, COVARIANCE), (CAMERA, COVARIANCE))
    assert change.chi_square == pytest.approx(0.0, abs=1e-12)
    assert change.p == 1.0
    assert not change.shown
    assert change_words(change, "earlier")[0].startswith("no change since earlier is shown")


def test_longer_focal_length_is_found_with_its_size():
    change = change_between((CAMERA, COVARIANCE), changed([14.0, 14.03, *np.zeros(7)]))
    assert change.shown
    assert change_words(change, "earlier")[0].startswith("changed since earlier")
    # a hundredth more: a point moves away from the principal point by a hundredth of its way
    u, v = np.meshgrid(change.u - CAMERA.cx, change.v - CAMERA.cy)
    np.testing.assert_allclose(change.moved_px, 0.01 * np.dstack((u, v)), atol=0.15)


def test_turn_of_the_camera_isn_t_a_change_of_its_lens():
    # without distortion 5 px of principal point are a turn of 5 / 1400, less the keystone that
    # such a turn makes: its square over the frame's half width, 5 px (0.46)² or 1 px at most
    pinhole = Camera(1280, 960, 1400.0, 1400.0, 645.0, 470.0)
    moved = Camera(1280, 960, 1400.0, 1400.0, 650.0, 470.0)
    change = change_between((pinhole, COVARIANCE), (moved, COVARIANCE))
    assert np.max(np.linalg.norm(change.moved_px, axis=2)) < 1.0


def test_chi_square_of_calibrations_that_scatter_as_they_claim_is_as_stated():
    rng, found = np.random.default_rng(7), []
    for _ in range(60):
        change = change_between(
            changed(SIGMA * rng.standard_normal(9)), changed(SIGMA * rng.standard_normal(9))
        )
        found.append(change.chi_square)
    assert change.freedom == 9
    low, high = stats.chi2.ppf([0.0005, 0.9995], 9 * 60)
    assert low < sum(found) < high


def test_pictures_of_another_size_are_refused():
    other = Camera(640, 480, 700.0, 700.0, 320.0, 240.0)
    with pytest.raises(ConfigError, match="640 x 480 px, this of 1280 x 960"):
        change_between((other, COVARIANCE), (CAMERA, COVARIANCE))


def test_two_calibrations_that_claim_to_be_exact_can_t_be_judged():
    with pytest.raises(ConfigError, match="uncertainty to judge"):
        change_between((CAMERA, np.zeros((9, 9))), (CAMERA, np.zeros((9, 9))))
