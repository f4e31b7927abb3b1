"""Response curves and noise that neighbours share, as they are drawn and as bounds know them."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.digest import content_digest
from bench.errors import ConfigError
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.processing import Curve, noise_widening, shared_noise
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor, expose, mean_dn, variance_dn
from bench.scene.load import load_bay
from bench.solve.bounds import image_bound

SHARED = ((1.0, 0.3, 0.05), (0.2, 0.06, 0.0), (0.0, 0.0, 0.0))
SENSOR = Sensor(0.6, 5.0, 0.0, 0.005, 10_000.0, None, 10, 12.0)


def test_noise_is_as_large_and_as_shared_as_said():
    sensor, rng = replace(SENSOR, noise_correlation=SHARED), np.random.default_rng(3)
    grey = np.stack([expose(np.full((60, 70), 4000.0), sensor, rng) for _ in range(40)])
    left = grey - grey.mean(axis=0)
    square = float(np.sum(left**2)) / (39 * 60 * 70)
    # 164,000 degrees of freedom of which neighbours share some: 0.4 %, four times
    assert square == pytest.approx(variance_dn(np.array([4000.0]), sensor)[0], rel=0.016)
    # rounding's 1/12 of 41 DN² is white; a coefficient's own standard deviation is 0.003
    for rows, columns in ((0, 1), (1, 0), (0, 2), (1, 1)):
        here, there = left[:, rows:, columns:], left[:, : 60 - rows, : 70 - columns]
        assert float(np.mean(here * there)) / np.mean(left**2) == pytest.approx(
            SHARED[rows][columns], abs=0.013
        )


def test_a_gamma_is_undone_and_its_noise_is_of_the_grey_values_before():
    sensor, rng = replace(SENSOR, gamma=2.2), np.random.default_rng(4)
    electrons = np.array([4000.0])
    grey = np.stack([expose(np.full((60, 70), 4000.0), sensor, rng) for _ in range(30)])
    before = sensor.curve.before(grey.astype(float))
    assert before.mean() == pytest.approx(mean_dn(electrons, sensor)[0], abs=0.1)
    assert before.var() == pytest.approx(variance_dn(electrons, sensor)[0], rel=0.02)


def test_half_the_light_is_as_srgb_has_it():
    # IEC 61966-2-1: 1.055 · 0.5^(1/2.4) - 0.055 = 0.7354; 2.2 is its usual power
    grey = Curve(2.2, 0.0, 255.0).of(np.array([0.0, 127.5, 255.0]))
    assert_allclose(grey / 255.0, [0.0, 0.7354, 1.0], atol=0.01)


def test_shared_noise_widens_a_boundarys_place_as_predicted():
    rng, sigma = np.random.default_rng(5), math.sqrt(0.7**2 + 1.0 / 12.0)
    slope = np.exp(-((np.arange(21) - 10.3) ** 2) / (2.0 * sigma**2))
    found = []
    for _ in range(200):
        noise = shared_noise((60, 61), SHARED, rng)
        found += [(noise[:, 20 * k : 20 * k + 21] @ slope).sum() for k in range(3)]
        found += [(noise.T[:, 20 * k : 20 * k + 21] @ slope)[:60].sum() for k in range(2)]
    white = 60.0 * float(slope @ slope)
    # 1000 draws, √(2/1000) = 4.5 %, four times; 60 pixels along lack a neighbour at either end
    assert np.var(found) / white == pytest.approx(noise_widening(SHARED, 0.7), rel=0.18)
    assert noise_widening(None, 0.7) == 1.0


def test_bounds_know_of_both():
    bay = load_bay()
    camera, imaging = bay.towers[0].camera, bay.towers[0].imaging
    pose = pose_of_view(View(4.0, turn=0.5), camera)
    region = region_of(bay.target.drawing, pose, camera, 4.0)

    def bound(**changes):
        other = replace(imaging, sensor=replace(imaging.sensor, **changes))
        return np.sqrt(np.diag(image_bound(bay.target.drawing, pose, camera, other, region)))

    plain, wide = bound(), bound(noise_correlation=SHARED)
    blur = math.sqrt(noise_widening(SHARED, imaging.optics.sigma_px))
    assert_allclose(wide / plain, blur, rtol=1e-9)
    # a curve costs what rounding does: little, and nothing else
    assert_allclose(bound(gamma=2.2) / plain, 1.0, atol=0.03)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"gamma": 9.0}, "sensor.gamma"),
        ({"noise_correlation": ((1.0, 0.2),)}, "square table"),
        ({"noise_correlation": ((0.9,),)}, "begin with 1"),
        ({"noise_correlation": ((1.0, 0.9), (0.9, 0.1))}, "no noise is so correlated"),
    ],
)
def test_what_no_camera_does_is_refused(changes, words):
    with pytest.raises(ConfigError, match=words):
        Sensor(**changes)


def test_sensors_from_before_keep_their_digests():
    same = replace(SENSOR, gamma=None, noise_correlation=None)
    assert content_digest(same) == content_digest(SENSOR)
    assert content_digest(replace(SENSOR, gamma=2.2)) != content_digest(SENSOR)


def test_a_bay_file_takes_both(tmp_path):
    path = tmp_path / "bay.toml"
    text = load_bay().path.read_text("utf-8")
    keys = "gamma = 2.2\nnoise_correlation = [[1, 0.2], [0.2, 0.04]]\n[light]"
    path.write_text(text.replace("\n[light]", f"\n{keys}", 1), "utf-8")
    sensor = load_bay(path).towers[0].imaging.sensor
    assert (sensor.gamma, sensor.noise_correlation) == (2.2, ((1.0, 0.2), (0.2, 0.04)))
