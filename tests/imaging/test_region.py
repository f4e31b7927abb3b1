import numpy as np
import pytest

from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Region
from bench.imaging.region import region_of

CAMERA = Camera(400, 300, 3000.0, 3000.0, 199.5, 149.5)


def test_region_is_the_pixels_that_the_plate_touches(square_drawing):
    # 1 mm is 1 px at 3 m; the plate reaches 120 px from 199.5 and 149.5
    pose = pose_of_view(View(2.9999), CAMERA)  # a hair nearer, so past the pixel borders
    assert region_of(square_drawing, pose, CAMERA, 0) == Region(79, 29, 242, 242)


def test_margin_widens_the_region_on_every_side(square_drawing):
    pose = pose_of_view(View(2.9999), CAMERA)
    assert region_of(square_drawing, pose, CAMERA, 10) == Region(69, 19, 262, 262)


def test_region_ends_with_the_sensor(square_drawing):
    pose = pose_of_view(View(2.9999), CAMERA)
    assert region_of(square_drawing, pose, CAMERA, 100) == Region(0, 0, 400, 300)


def test_region_holds_the_bulge_that_distortion_gives_a_side(square_drawing):
    # pincushion: a side through the picture's centre line is the nearest, corners the furthest;
    # barrel: the middle of the side sticks out furthest.
    camera = Camera(1600, 1200, 1000.0, 1000.0, 799.5, 599.5, (-0.3, 0.0, 0.0, 0.0, 0.0))
    pose = pose_of_view(View(0.3), camera)
    region = region_of(square_drawing, pose, camera, 0)
    middle = project(np.array([[0.12, 0.0, 0.0]]), pose, camera)[0]
    corner = project(np.array([[0.12, 0.12, 0.0]]), pose, camera)[0]
    assert middle[0] > corner[0] + 2.0
    assert region.u0 + region.width - 0.5 >= middle[0]


@pytest.mark.parametrize("pixel", [(-200.0, 150.0), (600.0, 150.0), (200.0, -200.0)])
def test_a_plate_off_the_sensor_raises(pixel, square_drawing):
    with pytest.raises(GeometryError, match="on the sensor"):
        region_of(square_drawing, pose_of_view(View(3.0, pixel=pixel), CAMERA), CAMERA, 50)
