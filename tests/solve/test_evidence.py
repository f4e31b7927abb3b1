"""What a picture says against a fit: claims widen first, then the pose isn't called ok."""

from dataclasses import replace

import numpy as np
import pytest

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging, capture
from bench.imaging.optics import Optics
from bench.imaging.picture import Region
from bench.imaging.pixels import Pixels
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.estimate import Outcome
from bench.solve.even_light import growth_covariance
from bench.solve.evidence import evidence_of
from bench.solve.noise import Noise
from bench.solve.photometric import PhotometricSolver
from bench.targets.design import build_target
from bench.targets.marker import MarkerDesign

CAMERA = Camera(2448, 2048, 3478.0, 3478.0, 1223.5, 1023.5)
TARGET = build_target(MarkerDesign(size=0.2))
CORNERS = np.column_stack((TARGET.markers[0], np.zeros(4)))
POSE = pose_of_view(View(6.0, 0.6, 0.05, 0.1, (900.3, 800.6)), CAMERA)
NOISE = Noise(1.0, 0.0, 0.0)


def observe(rng, known, spoil=None):
    region = region_of(TARGET.drawing, POSE, CAMERA, 8.0)
    imaging = Imaging(Optics(0.6), Illumination(0.6), Sensor())
    picture = capture(TARGET.drawing, POSE, CAMERA, imaging, region, rng)
    if spoil is not None:
        picture = replace(picture, grey=spoil(picture.grey))
    pixels = project(CORNERS, POSE, CAMERA) + rng.normal(0.0, 0.1, (4, 2))
    return Detection(Found.FOUND, pixels, CORNERS), Observation(
        picture, CAMERA, TARGET, Sensor() if known else None
    )


def row_of(count):
    """Pixels in one row, all of them near a boundary."""
    index, places = np.arange(count), np.arange(count).reshape(1, count)
    return Pixels(Region(0, 0, count, 1), index, count, places, np.zeros(count), np.zeros(count))


ROW = row_of(1000)


def edge(off, noise=0.0):
    """A ramp of 40 grey values a pixel, off by so many pixels, between two flat parts."""
    strength = np.concatenate((np.zeros(400), np.full(200, 40.0), np.zeros(400)))
    predicted = np.concatenate((np.full(400, 20.0), np.full(200, 100.0), np.full(400, 180.0)))
    rng = np.random.default_rng(1)
    return predicted + off * strength + noise * rng.normal(size=1000), predicted, strength


def test_boundaries_that_are_off_are_measured_in_pixels_beyond_noise():
    right = evidence_of(ROW, *edge(0.0, 1.0), NOISE, None)
    # of 200 Gaussian residuals: a mean square of 1, known to 10 %; off by a part of noise's 1/40
    assert right.edge_chi_square == pytest.approx(1.0, abs=0.4)
    assert right.off_px < 0.02
    assert not right.contradicts
    wrong = evidence_of(ROW, *edge(0.5), NOISE, None)
    # a median deviation counts as 1.4826 of itself, a Gaussian's
    assert wrong.off_px == pytest.approx(1.4826 * 0.5, rel=0.01)
    assert wrong.edge_chi_square == pytest.approx(20.0**2)
    assert wrong.contradicts


def test_a_minority_s_fit_and_light_left_over_contradict_too():
    grey, predicted, strength = edge(0.0, 1.0)
    trust = np.where(np.arange(1000) < 550, 0.0, 1.0)
    assert evidence_of(ROW, grey, predicted, strength, NOISE, trust).distrusted == pytest.approx(
        0.75
    )
    assert evidence_of(ROW, grey, predicted, strength, NOISE, trust).contradicts
    wave = 25.0 * np.sign(np.sin(0.02 * np.arange(1000)))
    found = evidence_of(
        ROW, grey + np.where(strength > 0.0, 0.0, wave), predicted, strength, NOISE, None
    )
    # neighbours differ at a wave's ends alone: one pair in 157
    assert found.left == pytest.approx(1.4826 * 25.0 / 160.0, rel=0.1)
    assert found.contradicts


def test_noise_that_neighbours_share_is_told_from_noise_that_they_do_not():
    grey, predicted, strength = edge(0.0, 1.0)
    assert evidence_of(ROW, grey, predicted, strength, NOISE, None).suspected == ()
    noise = np.random.default_rng(5).normal(size=1001)
    smooth = predicted + (noise[1:] + noise[:-1]) / np.sqrt(2.0)
    found = evidence_of(ROW, smooth, predicted, strength, NOISE, None)
    # two neighbours share half of their variance; of 800 pairs it is known to 0.035
    assert found.correlation == pytest.approx(0.5, abs=0.14)
    assert found.suspected == ("correlated",)
    # however much of it there is, a camera's own noise contradicts nothing
    loud = predicted + 30.0 * noise[1:]
    assert not evidence_of(
        ROW, loud, predicted, strength, Noise(900.0, 0.0, 0.0), None
    ).contradicts


def test_pixels_of_an_interpolated_mosaic_are_noisier_by_turns():
    grey, predicted, strength = edge(0.0, 1.0)
    # interpolated from two neighbours: half the variance
    quieter = np.where(np.arange(1000) % 2, np.sqrt(0.5), 1.0)
    found = evidence_of(
        ROW, predicted + (grey - predicted) * quieter, predicted, strength, NOISE, None
    )
    assert found.suspected == ("mosaic",)


@pytest.mark.parametrize("known", [True, False])
def test_clean_pictures_are_explained(known):
    rng = np.random.default_rng(2)
    for _ in range(8):
        estimate = PhotometricSolver().solve(*observe(rng, known))
        assert estimate.outcome is Outcome.OK
        # of some thousand pixels on strong boundaries; noise learnt from a picture is known to 5 %
        assert estimate.edge_chi_square == pytest.approx(1.0, abs=0.2)


@pytest.mark.slow
def test_another_picture_than_the_target_s_is_unexplained_and_the_corners_stand_beside_it():
    rng = np.random.default_rng(3)

    def shuffled(grey):
        # black and white changed about in blocks of seven pixels: no marker at all
        blocks = rng.integers(0, 2, (grey.shape[0] // 7 + 1, grey.shape[1] // 7 + 1))
        big = np.kron(blocks, np.ones((7, 7), dtype=int))[: grey.shape[0], : grey.shape[1]]
        return np.where(big == 1, 150, 20).astype(np.uint8)

    for _ in range(3):
        estimate = PhotometricSolver().solve(*observe(rng, False, shuffled))
        assert estimate.outcome in (Outcome.UNEXPLAINED, Outcome.NOT_FINITE)
        if estimate.outcome is Outcome.UNEXPLAINED:
            assert estimate.T_camera_target_corners is not None


def test_growth_of_black_is_claimed_by_what_it_moves():
    rng = np.random.default_rng(4)
    rows, weights = rng.normal(size=(500, 8)), rng.uniform(0.5, 2.0, 500)
    strength = np.abs(rng.normal(size=500))
    weighted = rows * weights[:, None]
    found = growth_covariance(weighted.T @ rows, weighted.T @ strength, 0.1)
    root = np.sqrt(weights)
    way = np.linalg.lstsq(rows * root[:, None], 0.1 * strength * root, rcond=None)[0][:6]
    np.testing.assert_allclose(found, np.outer(way, way), rtol=1e-8)
