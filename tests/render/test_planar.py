import dataclasses
import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.detect.detection import Found
from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture, Region
from bench.plugins import load
from bench.render.planar import MARGIN_PX, full_frame, render_target
from bench.targets.design import MarkerDesign, build_target

CAMERA = Camera(900, 700, 1800.0, 1800.0, 449.5, 349.5, (-0.08, 0.04, 0.0, 0.0, 0.0))
TARGET = build_target(MarkerDesign(marker_id=5))
IMAGING = Imaging()


def held(range_m: float, turn_deg: float, pixel: tuple[float, float] = (520.3, 301.8)) -> Pose:
    return pose_of_view(View(range_m, math.radians(turn_deg), 0.05, 0.2, pixel), CAMERA)


def render(T: Pose, seed: int = 1, region: Region | None = None) -> Picture:
    return render_target(TARGET, T, CAMERA, IMAGING, np.random.default_rng(seed), region)


def test_the_picture_covers_the_plate_and_its_margin():
    T = held(3.0, 40.0)
    picture = render(T)
    outline = np.column_stack((TARGET.drawing.outline, np.zeros(4)))
    corners = project(outline, T, CAMERA)
    low = corners.min(axis=0) - (picture.u0, picture.v0)
    high = (picture.u0, picture.v0) + np.array(picture.grey.shape[::-1]) - 1 - corners.max(axis=0)
    # the margin, up to the rounding to whole pixels; a lens that bends the plate's straight
    # edges outward would add a fraction of a pixel
    for gap in (low, high):
        assert np.all(gap >= MARGIN_PX - 1.0)
        assert np.all(gap <= MARGIN_PX + 2.0)


def test_a_picture_is_the_same_for_the_same_seed_and_differs_for_another():
    T = held(3.0, 40.0)
    assert np.array_equal(render(T, 1).grey, render(T, 1).grey)
    assert not np.array_equal(render(T, 1).grey, render(T, 2).grey)


def test_the_full_frame_is_the_whole_sensor():
    picture = render(held(4.0, 0.0), region=full_frame(CAMERA))
    assert picture.grey.shape == (700, 900)
    assert (picture.u0, picture.v0) == (0, 0)


def test_the_region_and_the_full_frame_have_the_same_expected_grey_values():
    T = held(4.0, 30.0)
    # hardly any noise: none of reading, and so many electrons that shot noise is 0.08 DN
    sensor = dataclasses.replace(IMAGING.sensor, full_well=1e7, gain=None, dark_noise=0.0)
    quiet = dataclasses.replace(IMAGING, sensor=sensor)
    rng = np.random.default_rng(0)
    part = render_target(TARGET, T, CAMERA, quiet, rng)
    whole = render_target(TARGET, T, CAMERA, quiet, rng, full_frame(CAMERA))
    h, w = part.grey.shape
    cut = whole.grey[part.v0 : part.v0 + h, part.u0 : part.u0 + w]
    # 1 DN where a value sits on the edge of rounding; there the two differ by chance, by 1 in
    # at most half of the pixels, so the mean of N differences scatters by less than 1/√N
    difference = part.grey.astype(int) - cut.astype(int)
    assert np.abs(difference).max() <= 1
    assert abs(difference.mean()) < 3.3 / math.sqrt(difference.size)


@pytest.mark.parametrize("name", ["aruco-none", "aruco-subpix", "apriltag"])
@pytest.mark.parametrize(("range_m", "turn_deg"), [(2.0, 0.0), (2.0, 50.0), (6.0, 20.0)])
def test_detectors_find_in_the_region_what_they_find_in_the_full_frame(name, range_m, turn_deg):
    # the very same grey values, cut to the survey's region or not: what MARGIN_PX promises
    T = held(range_m, turn_deg)
    whole = render(T, region=full_frame(CAMERA))
    region = render(T).region
    grey = whole.grey[region.v0 : region.v0 + region.height, region.u0 : region.u0 + region.width]
    part = Picture(np.ascontiguousarray(grey), region.u0, region.v0, whole.full_scale)
    detector = load("sightbench.detectors", name)
    found = [detector.detect(Observation(p, CAMERA, TARGET)) for p in (whole, part)]
    assert [d.found for d in found] == [Found.FOUND] * 2
    # corners come in single precision: 6e-8 of 900 px, times the 10 or so operations on them.
    # The AprilTag library thresholds in tiles of 4 px that start at the picture's corner, so
    # a cut may move its tiles; line fits over tens of edge points damp that to hundredths
    atol = 0.05 if name == "apriltag" else 1e-3
    assert_allclose(found[1].pixels, found[0].pixels, atol=atol)


def test_a_target_outside_the_frame_is_refused():
    behind = Pose(np.eye(3), np.array([30.0, 0.0, 5.0]))
    with pytest.raises(GeometryError):
        render(behind)
