"""What a bay file becomes: towers, wheels, ranges by hand, a digest that only content changes."""

import math
import subprocess
import sys

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.scene.facts import field_of_view, sight, sights, spacing
from bench.scene.load import load_bay
from bench.scene.model import Placement, wheels, wheels_of_tower
from bench.scene.vehicle import Vehicle

# axes of the bay and of the camera, by their names
TOWARD_TOWERS, VEHICLES_LEFT, UP = np.eye(3)
RIGHT, DOWN, FORWARD = np.eye(3)
DEGREE = math.radians(1.0)


def turned(axis, **angles):
    """Return a camera axis in the bay, for a placement with these angles."""
    return Placement(offset=1.0, height=2.0, **angles).T_bay_camera().rotation @ axis


def test_a_level_camera_looks_from_the_tower_line_at_the_vehicle():
    assert_allclose(turned(FORWARD), -TOWARD_TOWERS, atol=1e-15)


def test_the_vehicles_left_is_on_the_right_of_the_picture():
    assert_allclose(turned(RIGHT), VEHICLES_LEFT, atol=1e-15)


def test_down_in_the_picture_is_down_in_the_bay():
    assert_allclose(turned(DOWN), -UP, atol=1e-15)


def test_the_camera_stands_forward_left_and_up_by_its_placement():
    pose = Placement(offset=1.0, height=2.0, forward=0.5).T_bay_camera()
    assert_allclose(pose.translation, 0.5 * TOWARD_TOWERS + 1.0 * VEHICLES_LEFT + 2.0 * UP)


def test_positive_yaw_of_a_left_tower_looks_inward():
    looks = turned(FORWARD, yaw=10 * DEGREE)
    assert_allclose(looks @ VEHICLES_LEFT, -math.sin(10 * DEGREE))  # to the vehicle's right
    assert_allclose(looks @ UP, 0.0, atol=1e-15)


def test_positive_pitch_looks_up():
    assert_allclose(turned(FORWARD, pitch=10 * DEGREE) @ UP, math.sin(10 * DEGREE))


def test_positive_roll_lowers_the_right_side_of_the_camera():
    assert_allclose(turned(RIGHT, roll=10 * DEGREE) @ UP, -math.sin(10 * DEGREE))
    assert_allclose(turned(FORWARD, roll=10 * DEGREE), -TOWARD_TOWERS, atol=1e-15)


def test_roll_comes_last_so_that_it_keeps_the_line_of_sight():
    angles = {"yaw": 20 * DEGREE, "pitch": -12 * DEGREE}
    assert_allclose(turned(FORWARD, **angles), turned(FORWARD, roll=1.0, **angles), atol=1e-15)


def test_pitch_keeps_the_heading_that_yaw_gave():
    level, down = turned(FORWARD, yaw=0.3), turned(FORWARD, yaw=0.3, pitch=-0.2)
    assert_allclose(down[:2] / np.linalg.norm(down[:2]), level[:2], atol=1e-15)


def test_ranges_from_tower_to_wheel_by_hand(bay_file):
    bay = load_bay(bay_file())
    # left camera (0, 2, 1); left wheels at (-3, 0.8, 0.4) and (-7, 0.8, 0.4), each target 0.25 m
    # outboard of its wheel's centre, so at y = 1.05, 0.95 m beside the camera
    near, far = (s for s in sights(bay) if s.tower == "left")
    assert near.range_m == pytest.approx(math.sqrt(3**2 + 0.95**2 + 0.6**2))  # 3.204 m
    assert far.range_m == pytest.approx(math.sqrt(7**2 + 0.95**2 + 0.6**2))  # 7.090 m
    # 10 mm over 5 um is 2000 px; the marker is 0.2 m
    assert near.size_px == pytest.approx(2000 * 0.2 / near.range_m)


def test_where_a_wheel_appears_by_hand(bay_file):
    bay = load_bay(bay_file())
    near = sights(bay)[0]
    # 0.95 m to the camera's left and 0.6 m down at 3 m depth, f = 2000 px: 633 1/3 px and 400 px
    # from the middle
    assert near.place == pytest.approx((0.5 - 2000 * 0.95 / 3 / 2000, 0.5 + 400 / 1000))
    # 0.25 m, half the plate's diagonal, is 167 px there: more than the 100 px to the lower edge
    assert not near.whole
    assert sights(bay)[1].whole


def test_a_wheel_behind_a_camera_has_no_place_in_its_picture(bay_file):
    bay = load_bay(bay_file(('yaw = "-30 deg"', 'yaw = "180 deg"')))
    seen = sight(bay, bay.towers[1], wheels(bay)[1])
    assert seen.place is None
    assert not seen.whole


def test_wheels_are_named_and_stand_at_the_standoff(bay_file):
    bay = load_bay(bay_file())
    assert [w.name for w in wheels(bay)] == [
        "front left",
        "front right",
        "rear left",
        "rear right",
    ]
    assert_allclose(wheels(bay)[3].centre, [-7.0, -0.8, 0.4])


def test_a_tower_has_the_wheels_of_its_own_side(bay_file):
    bay = load_bay(bay_file())
    left, right = (wheels_of_tower(bay, tower) for tower in bay.towers)
    assert {w.side for w in left} == {"left"}
    assert {w.side for w in right} == {"right"}


def test_the_near_axle_comes_first_whatever_the_file_says(bay_file):
    swapped = bay_file(('behind = "0 m"', 'behind = "5 m"'), ('behind = "4 m"', 'behind = "0 m"'))
    (vehicle,) = load_bay(swapped).vehicles
    assert isinstance(vehicle, Vehicle)
    assert [axle.name for axle in vehicle.axles] == ["rear", "front"]


def test_field_of_view_is_that_of_a_pinhole(bay_file):
    bay = load_bay(bay_file())
    across, down = field_of_view(bay.towers[0].camera)
    # edge to edge: 2000 and 1000 pixels at a focal length of 2000
    assert across == pytest.approx(2 * math.atan(0.5))
    assert down == pytest.approx(2 * math.atan(0.25))
    assert spacing(bay) == 4.0


def test_the_principal_point_is_the_middle_of_the_picture_when_left_out(bay_file):
    camera = load_bay(bay_file()).towers[0].camera
    assert (camera.cx, camera.cy) == (999.5, 499.5)
    assert (camera.fx, camera.fy) == pytest.approx((2000.0, 2000.0), rel=1e-15)


def test_a_tower_may_have_its_own_camera(bay_file):
    own = (
        '[tower.camera]\nwidth = 640\nheight = 480\nfocal_length = ["700 px", "710 px"]\n'
        'principal_point = ["300 px", "250.5 px"]\n'
        "distortion = { k1 = -0.1, p2 = 0.01, k3 = 0.2 }\n"
    )
    bay = load_bay(bay_file(('height = "1 m"\n', f'height = "1 m"\n{own}')))
    camera = bay.towers[0].camera
    assert (camera.fx, camera.fy, camera.cx, camera.cy) == (700.0, 710.0, 300.0, 250.5)
    assert camera.distortion == (-0.1, 0.0, 0.0, 0.01, 0.2)
    assert camera.pixel_pitch is None
    assert bay.towers[1].camera.width == 2000


def test_every_kind_of_target_can_be_given(bay_file):
    marker = 'kind = "marker"\nsize = "200 mm"\nplate = ["300 mm", "400 mm"]'
    kinds = {
        "grid": 'columns = 3\nrows = 2\nsize = "80 mm"\ngap = "20 mm"',
        "charuco": 'columns = 7\nrows = 5\nsquare = "40 mm"\nmarker = "30 mm"',
        "circles": 'columns = 4\nrows = 11\npitch = "20 mm"\ndiameter = "15 mm"',
    }
    for kind, keys in kinds.items():
        assert load_bay(bay_file((marker, f'kind = "{kind}"\n{keys}'))).target.kind == kind


def test_light_optics_and_sensor_reach_the_image_model(bay_file):
    camera = (
        'height = 1000\noptics = { sigma = "0.8 px", f_number = 8, focus_distance = "4 m", '
        'field_sigma = "0.3 px" }\n'
        'sensor = { full_well = "12 ke-", gain = "0.02 DN/e-", bit_depth = 12 }\n'
    )
    light = '[light]\nlevel = 0.5\ngradient = ["10 %/m", "0 1/m"]\n'
    light += '[light.highlight]\nx = "10 mm"\ny = "-20 mm"\nsigma = "30 mm"\nlevel = 0.2\n'
    imaging = load_bay(bay_file(("height = 1000\n", camera), extra=light)).towers[1].imaging
    assert (imaging.optics.sigma_px, imaging.optics.f_number) == (0.8, 8.0)
    assert imaging.optics.focus_distance == 4.0
    assert imaging.optics.field_sigma_px == 0.3
    assert (imaging.sensor.full_well, imaging.sensor.gain) == (12_000.0, 0.02)
    assert imaging.sensor.bit_depth == 12
    assert imaging.illumination.gradient == (0.1, 0.0)
    assert imaging.illumination.highlight is not None
    assert imaging.illumination.highlight.y == -0.02


def test_survey_angles_come_out_as_they_were_written(bay_file):
    turns = ", ".join(map(str, range(-85, 86, 5)))
    survey = load_bay(bay_file(('turns = "0, 45 deg"', f'turns = "{turns} deg"'))).survey
    assert survey.turns_deg == tuple(float(t) for t in range(-85, 86, 5))
    assert (survey.roll_deg, survey.jitter_deg, survey.pixels) == (15.0, 1.0, None)


def test_the_digest_knows_content_only(bay_file):
    digest = load_bay(bay_file()).digest
    same = {
        "another unit": ('standoff = "3 m"', 'standoff = "3000 mm"'),
        "a comment": ('standoff = "3 m"', 'standoff = "3 m" # three'),
        "a default written out": ("[tolerance]", "[tolerance]\nconfidence = 0.95"),
        "another order": (
            'name = "Round numbers"\nstandoff = "3 m"',
            'standoff = "3 m"\nname = "Round numbers"',
        ),
    }
    for what, change in same.items():
        assert load_bay(bay_file(change)).digest == digest, what
    for change in (
        ('standoff = "3 m"', 'standoff = "3.000001 m"'),
        ('yaw = "-30 deg"', 'yaw = "-30.001 deg"'),
        ("[tolerance]", "[tolerance]\nconfidence = 0.9"),
        ('size = "200 mm"', 'size = "200 mm"\nmarker_id = 1'),
        ('name = "Round numbers"', 'name = "round numbers"'),
    ):
        assert load_bay(bay_file(change)).digest != digest, change


def test_the_digest_is_the_same_in_another_process(bay_file):
    path = bay_file()
    code = f"from bench.scene.load import load_bay; print(load_bay({str(path)!r}).digest)"
    other = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert other.stdout.strip() == load_bay(path).digest


def test_the_model_is_frozen(bay_file):
    bay = load_bay(bay_file())
    for thing in (bay, bay.towers[0], bay.towers[0].placement, bay.survey, bay.tolerance):
        with pytest.raises(AttributeError):
            thing.name = "other"
