"""What light, paper and dirt take from a pose at best: dense algebra and drawn pictures."""

import math
from dataclasses import replace

import numpy as np
import pytest

from bench.built.draws import Sizes, draw_bay, draw_moment
from bench.built.light_bound import (
    _places,
    hybrid,
    light_covariance,
    paper_modes,
    reflection_modes,
)
from bench.built.picture import built_electrons
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.region import region_of
from bench.scene.imperfections import AS_DRAWN, Imperfections
from bench.scene.load import load_bay
from bench.solve.bounds import face_fit, image_bound

BAY = load_bay()
TOWER = BAY.towers[0]
CAMERA, IMAGING, DRAWING = TOWER.camera, TOWER.imaging, BAY.target.drawing
# far, so that the dense matrices are small
T = pose_of_view(
    View(22.0, math.radians(35.0), 0.0, math.radians(4.0), (CAMERA.cx + 0.2, CAMERA.cy)), CAMERA
)
REGION = region_of(DRAWING, T, CAMERA, 8.0)
SIZES = Imperfections()
FULL_DN = IMAGING.sensor.system_gain * IMAGING.sensor.full_well


@pytest.fixture(scope="module")
def fit():
    return face_fit(DRAWING, T, CAMERA, IMAGING, REGION)


@pytest.fixture(scope="module")
def places(fit):
    return _places(fit, T, CAMERA)


def dense(fit, covariance):
    """The bound where noise and a field of this covariance (N, N) are one coloured noise."""
    rows = fit.jacobian()
    scale = np.linalg.norm(rows, axis=0)
    noise = np.diag(1.0 / fit.weights) + covariance
    information = (rows / scale).T @ np.linalg.solve(noise, rows / scale)
    return (np.linalg.inv(information) / np.outer(scale, scale))[:6, :6]


def test_without_a_field_it_is_the_bound(fit):
    bound, _ = hybrid(fit, ())
    assert np.allclose(bound, image_bound(DRAWING, T, CAMERA, IMAGING, REGION), rtol=1e-6)


def test_modes_of_paper_are_coloured_noise_of_its_covariance(fit, places):
    sizes = replace(SIZES, paper=0.05)
    away = np.sum((places[:, None] - places) ** 2, axis=-1)
    signal = sizes.paper * fit.exposure() * fit.reflectance
    covariance = np.outer(signal, signal) * np.exp(-0.5 * away / sizes.paper_scale**2)
    found, _ = hybrid(fit, [paper_modes(fit, places, DRAWING, sizes)])
    # modes left out are those with less than 0.01 of signal over noise, squared
    assert np.allclose(np.diag(found), np.diag(dense(fit, covariance)), rtol=0.01)


def test_a_reflection_shifts_the_best_fit_as_it_does_in_rendered_pictures(fit, places):
    modes = reflection_modes(fit, places, DRAWING, T, SIZES, FULL_DN)
    bound, estimator = hybrid(fit, [modes])
    predicted = np.diag(bound - (estimator / fit.weights) @ estimator.T)
    sizes = Sizes(np.zeros((9, 0)), imperfections=replace(SIZES, **_nothing(), reflection_share=1))
    plain = _electrons(replace(sizes, imperfections=AS_DRAWN), 0)
    n = 120
    shifts = np.array(
        [
            estimator @ (IMAGING.sensor.system_gain * fit.pixels.of(_electrons(sizes, k) - plain))
            for k in range(n)
        ]
    )
    # of a squared normal variable the standard deviation is √2 of its mean: over n draws four
    # standard deviations are 4 √(2/n), of the six together
    ratio = np.mean(np.mean(shifts**2, axis=0) / predicted)
    assert ratio == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / n))


def test_light_adds_little_and_more_of_it_adds_more(fit):
    def added(**changes):
        sizes = replace(SIZES, **changes)
        return np.diag(light_covariance(DRAWING, T, CAMERA, IMAGING, sizes, REGION))

    bound = np.diag(image_bound(DRAWING, T, CAMERA, IMAGING, REGION))
    usual = added()
    assert np.all(usual > 0.0)
    assert np.all(usual < bound)
    for more in ({"paper": 0.02}, {"reflection_share": 0.5}, {"dirt": 2.0}):
        assert np.all(added(**more) > usual)
    nothing = added(paper=0.0, reflection_share=0.0, dirt=0.0)
    assert np.all(nothing == 0.0)


def _nothing():
    return {
        name: getattr(AS_DRAWN, name)
        for name in ("ink_spread", "paper", "blur", "blur_corner", "exposure", "gradient", "dirt")
    }


def _electrons(sizes, k):
    bay, moment = draw_bay(sizes, 1, str(k)), draw_moment(sizes, 1, str(k), DRAWING)
    return built_electrons(DRAWING, T, CAMERA, IMAGING, sizes, bay, moment, REGION)
