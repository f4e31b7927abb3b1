import numpy as np
from numpy.testing import assert_allclose, assert_array_equal

from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Highlight, Illumination
from bench.imaging.model import Imaging, capture, expected_electrons, noise_free
from bench.imaging.optics import Optics
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor, mean_dn, variance_dn


def scene(pinhole, drawing):
    pose = pose_of_view(View(6.0, turn=0.5, roll=0.3), pinhole)
    return drawing, pose, pinhole


def test_expected_electrons_are_reflectance_times_light_times_full_well(pinhole, square_drawing):
    drawing, pose, camera = scene(pinhole, square_drawing)
    region = region_of(drawing, pose, camera, 8)
    imaging = Imaging(Optics(0.6), Illumination(0.5), Sensor(full_well=20_000.0))
    electrons = expected_electrons(drawing, pose, camera, imaging, region)
    assert electrons.shape == (region.height, region.width)
    # Background, and the middle of the black square; blur leaves 1e-4 of a step.
    assert_allclose(electrons[0, 0], 0.35 * 0.5 * 20_000, atol=1.0)
    middle = electrons[region.height // 2, region.width // 2]
    assert_allclose(middle, 0.05 * 0.5 * 20_000, atol=1.0)
    assert np.min(electrons) >= 0.0


def test_captured_pictures_scatter_about_the_noise_free_one(pinhole, square_drawing):
    args = scene(pinhole, square_drawing)
    region = region_of(*args, 8)
    imaging = Imaging(sensor=Sensor(bit_depth=12, black_level=40.0))
    electrons = expected_electrons(*args, imaging, region)
    expected, variance = mean_dn(electrons, imaging.sensor), variance_dn(electrons, imaging.sensor)
    rng = np.random.default_rng(3)
    z = (capture(*args, imaging, region, rng).grey - expected) / np.sqrt(variance)
    # z has mean 0 and variance 1 over n pixels, so 4.5/√n and 4.5 √(2/n) bound them
    n = z.size
    assert abs(z.mean()) < 4.5 / np.sqrt(n)
    assert abs(z.var() - 1.0) < 4.5 * np.sqrt(2.0 / n)
    clean = noise_free(*args, imaging, region)
    assert np.max(np.abs(clean.grey - expected)) <= 0.5


def test_a_picture_knows_where_it_lies_and_its_scale(pinhole, square_drawing):
    args = scene(pinhole, square_drawing)
    region = region_of(*args, 8)
    imaging = Imaging(sensor=Sensor(bit_depth=10))
    picture = capture(*args, imaging, region, np.random.default_rng(0))
    assert picture.region == region
    assert picture.full_scale == 1023
    assert noise_free(*args, imaging, region).region == region


def test_the_same_seed_gives_the_same_picture(pinhole, square_drawing):
    args = scene(pinhole, square_drawing)
    region = region_of(*args, 8)
    first = capture(*args, Imaging(), region, np.random.default_rng(9)).grey
    assert_array_equal(first, capture(*args, Imaging(), region, np.random.default_rng(9)).grey)


def test_a_highlight_saturates_the_sensor(pinhole, square_drawing):
    args = scene(pinhole, square_drawing)
    region = region_of(*args, 8)
    light = Illumination(0.6, highlight=Highlight(0.05, 0.05, 0.02, 3.0))
    picture = noise_free(*args, Imaging(illumination=light), region)
    assert np.count_nonzero(picture.grey == 255) > 100
    electrons = expected_electrons(*args, Imaging(illumination=light), region)
    assert electrons.max() > 2.5 * Sensor().full_well  # expectation is not clipped


def test_imaging_is_hashable_and_compares_by_value():
    assert Imaging() == Imaging()
    assert hash(Imaging(Optics(0.5))) == hash(Imaging(Optics(0.5)))
    assert Imaging(Optics(0.5)) != Imaging(Optics(0.6))
