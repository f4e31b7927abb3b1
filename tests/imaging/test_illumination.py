import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.errors import ConfigError
from bench.geometry.camera import project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.illumination import Highlight, Illumination, illuminate
from bench.imaging.picture import Region

REGION = Region(700, 500, 200, 180)
WHITE = np.full((180, 200), 0.8)


def lit(illumination, pinhole, reflectance=WHITE, range_m=3.0):
    pose = pose_of_view(View(range_m, turn=0.5), pinhole)
    return illuminate(reflectance, illumination, pose, pinhole, REGION)


def test_level_is_the_filling_at_reflectance_one(pinhole):
    assert_allclose(lit(Illumination(level=0.5), pinhole), 0.4)


def test_gradient_runs_to_the_right_and_down_per_metre_at_the_targets_distance(pinhole):
    image = lit(Illumination(0.5, gradient=(0.6, -0.2)), pinhole)
    row, column = 98, 101  # nearest to the principal point, where the target's centre appears
    assert_allclose(image[row, column], 0.4, rtol=1e-3)
    # 50 px right or down are 50 mm at 3 m and f = 3000 px, 2990 px down
    assert_allclose(image[row, column + 50] - image[row, column], 0.4 * 0.6 * 0.05)
    assert_allclose(image[row + 50, column] - image[row, column], -0.4 * 0.2 * 0.05 * 3000 / 2990)


def test_gradient_over_the_target_does_not_depend_on_range(pinhole):
    light = Illumination(0.5, gradient=(0.6, 0.0))
    near, far = lit(light, pinhole, range_m=2.0), lit(light, pinhole, range_m=4.0)
    # 0.02 m is 30 px at 2 m and 15 px at 4 m
    assert_allclose(near[98, 131] - near[98, 101], far[98, 116] - far[98, 101])


def test_light_never_falls_below_zero(pinhole):
    image = lit(Illumination(0.5, gradient=(50.0, 0.0)), pinhole)
    assert np.min(image) == 0.0


def test_highlight_adds_a_spot_that_sticks_to_the_target(pinhole):
    spot = Highlight(x=0.03, y=-0.02, sigma=0.01, level=0.7)
    for range_m in (2.0, 3.0):
        plain = lit(Illumination(0.5), pinhole, range_m=range_m)
        added = lit(Illumination(0.5, highlight=spot), pinhole, range_m=range_m) - plain
        pose = pose_of_view(View(range_m, turn=0.5), pinhole)
        centre = project(np.array([[0.03, -0.02, 0.0]]), pose, pinhole)[0]
        v, u = np.mgrid[500:680, 700:900]
        # its moments: centre, and 0.01 m at the target's distance
        mean_u, mean_v = (np.sum(added * axis) / added.sum() for axis in (u, v))
        assert_allclose([mean_u, mean_v], centre, atol=0.02)
        sigma_px = np.sqrt(np.sum(added * (u - mean_u) ** 2) / added.sum())
        assert_allclose(sigma_px, 0.01 * 3000 / range_m, rtol=0.01)
        assert_allclose(np.max(added), 0.7, rtol=2e-3)  # half a pixel off its peak


def test_illuminate_leaves_the_reflectance_alone(pinhole):
    before = WHITE.copy()
    lit(Illumination(0.5, gradient=(1.0, 1.0)), pinhole, before)
    assert_allclose(before, WHITE)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Illumination(level=-0.1), r"illumination.level must lie from 0 to 100, got -0.1"),
        (lambda: Illumination(level=float("nan")), "illumination.level"),
        (lambda: Illumination(gradient=(1e9, 0.0)), "illumination.gradient .*1/m"),
        (lambda: Illumination(gradient=(1.0,)), "illumination.gradient must be two numbers"),
        (lambda: Highlight(0.0, 0.0, 0.0, 1.0), "illumination.highlight.sigma"),
        (lambda: Highlight(0.0, 0.0, 0.1, -1.0), "illumination.highlight.level"),
        (lambda: Highlight(float("inf"), 0.0, 0.1, 1.0), "illumination.highlight.x"),
        (lambda: Highlight(0.0, 1e5, 0.1, 1.0), "illumination.highlight.y"),
    ],
)
def test_light_out_of_its_limits_raises(make, words):
    with pytest.raises(ConfigError, match=words):
        make()
