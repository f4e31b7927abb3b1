"""Signs, order and worked examples of toe, camber, thrust, setback, caster."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.errors import GeometryError
from bench.geometry.rotation import exp_rotvec, rotation_x, rotation_z
from bench.geometry.vehicle_angles import (
    WheelState,
    numerical_jacobian,
    quantities,
    upward_of_centres,
    vehicle_jacobian,
    vehicle_values,
)
from bench.geometry.wheel_angles import (
    angles_of_axis,
    angles_of_steering_axis,
    axis_of_angles,
    outward,
    steering_axis_of_angles,
    steering_jacobian,
    toe_length,
)

DEG = math.pi / 180.0


def wheel(axle, side, x, toe=0.0, camber=0.0, track=1.5, z=0.3):
    sign = 1.0 if side == "left" else -1.0
    centre = np.array([x, sign * 0.5 * track, z])
    return WheelState(axle, side, axis_of_angles(toe * DEG, camber * DEG, side), centre)


def car(toes=(0.0, 0.0, 0.0, 0.0), cambers=(0.0, 0.0, 0.0, 0.0)):
    places = [("front", "left", 2.5), ("front", "right", 2.5), ("rear", "left", 0.0)]
    places.append(("rear", "right", 0.0))
    return [wheel(*p, t, c) for p, t, c in zip(places, toes, cambers, strict=True)]


def told(wheels, up=(0.0, 0.0, 1.0), line="centre line"):
    axles = tuple(dict.fromkeys(w.axle for w in wheels))
    up = None if up is None else np.array(up)
    values = vehicle_values(wheels, up, line)
    return {
        (q.name, q.reference): v / DEG if q.unit == "rad" else v
        for q, v in zip(quantities(axles, line), values, strict=True)
    }


def test_left_wheel_toed_in_turns_clockwise_seen_from_above():
    # ISO 8855's z is up: a left wheel whose front points inward (right) has turned by -1 deg
    # about z, and its outward axis (0, 1, 0) has gone forward: (sin 1 deg, cos 1 deg, 0)
    turned = rotation_z(-1.0 * DEG) @ np.array([0.0, 1.0, 0.0])
    assert_allclose(turned, [math.sin(DEG), math.cos(DEG), 0.0], atol=1e-15)
    assert_allclose(angles_of_axis(turned, "left"), (1.0 * DEG, 0.0), atol=1e-15)


def test_right_wheel_toed_in_turns_anticlockwise_seen_from_above():
    turned = rotation_z(+1.0 * DEG) @ np.array([0.0, -1.0, 0.0])
    assert_allclose(turned, [math.sin(DEG), -math.cos(DEG), 0.0], atol=1e-15)
    assert_allclose(angles_of_axis(turned, "right"), (1.0 * DEG, 0.0), atol=1e-15)


@pytest.mark.parametrize(("side", "about_x"), [("left", -2.0), ("right", 2.0)])
def test_camber_is_positive_where_the_top_leans_outward(side, about_x):
    rotation = rotation_x(about_x * DEG)
    top = rotation @ np.array([0.0, 0.0, 1.0])
    s = 1.0 if side == "left" else -1.0
    assert s * top[1] > 0.0  # outward
    assert_allclose(
        angles_of_axis(rotation @ np.array([0.0, s, 0.0]), side), (0.0, 2.0 * DEG), atol=1e-15
    )


def test_worked_example_of_both_angles_by_hand():
    # toe 3 deg, camber -4 deg, left: sin 3 cos 4, cos 3 cos 4, sin 4 by a pocket calculator:
    # 0.0523360 · 0.9975641 = 0.0522085; 0.9986295 · 0.9975641 = 0.9961969; 0.0697565
    axis = axis_of_angles(3.0 * DEG, -4.0 * DEG, "left")
    assert_allclose(axis, [0.0522085, 0.9961969, 0.0697565], atol=1e-7)


def test_camber_in_the_front_view_is_larger_by_the_cosine_of_toe():
    _, y, z = axis_of_angles(1.0 * DEG, 5.0 * DEG, "left")
    # ISO 8855's camber, about the vehicle's x: tan 5 deg / cos 1 deg = 0.0875020 by a pocket
    # calculator (0.0874887 / 0.9998477), 5.00076 deg
    assert_allclose(math.atan2(-z, y) / DEG, 5.00076, atol=1e-5)


def test_toe_and_camber_do_not_commute():
    # camber first, about the vehicle's x, then toe about its z keeps both angles as they are
    # read; the other order doesn't: for 10 and 10 deg toe comes out as atan(tan 10 / cos 10)
    # = atan 0.1790471 = 10.1511 deg, camber as asin(sin 10 cos 10) = asin 0.1710101 = 9.8466 deg
    y = np.array([0.0, 1.0, 0.0])
    ours = rotation_z(-10 * DEG) @ rotation_x(-10 * DEG) @ y
    other = rotation_x(-10 * DEG) @ rotation_z(-10 * DEG) @ y
    assert_allclose(np.array(angles_of_axis(ours, "left")) / DEG, [10.0, 10.0], atol=1e-12)
    assert_allclose(np.array(angles_of_axis(other, "left")) / DEG, [10.1511, 9.8466], atol=1e-4)


@pytest.mark.parametrize("side", ["left", "right"])
def test_angles_and_axis_are_each_others_inverse(side):
    rng = np.random.default_rng(5)
    for toe, camber in rng.uniform(-0.6, 0.6, (50, 2)):
        assert_allclose(
            angles_of_axis(axis_of_angles(toe, camber, side), side), (toe, camber), atol=1e-14
        )


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_steering_axis_s_jacobian_matches_finite_differences(side):
    # central differences with a step of 6e-6: truncation is 1e-11, rounding 1e-10
    steering = steering_axis_of_angles(0.09, 0.21, side)
    found = numerical_jacobian(lambda d: np.array(angles_of_steering_axis(steering + d, side)), 3)
    assert_allclose(steering_jacobian(steering, side), found, atol=1e-9)


def test_caster_is_positive_to_the_rear_and_inclination_positive_inward():
    left = steering_axis_of_angles(5 * DEG, 12 * DEG, "left")
    assert left[0] < 0.0  # the top leans to the rear
    assert left[1] < 0.0  # and inward, to the right
    assert_allclose(angles_of_steering_axis(left, "left"), (5 * DEG, 12 * DEG), atol=1e-15)
    assert_allclose(angles_of_steering_axis(-left, "left"), (5 * DEG, 12 * DEG), atol=1e-15)
    right = steering_axis_of_angles(5 * DEG, 12 * DEG, "right")
    assert right[1] > 0.0
    with pytest.raises(GeometryError, match="horizontal"):
        angles_of_steering_axis(np.array([1.0, 0.0, 0.0]), "left")


def test_toe_in_millimetres_on_a_rim():
    # common practice, no source: 0.2 deg on a 400 mm rim is 400 · sin 0.2 deg = 1.396 mm
    assert_allclose(toe_length(0.2 * DEG, 0.4), 1.3962606e-3, atol=1e-9)


def test_toe_length_is_what_a_gauge_at_hub_height_reads_whatever_the_camber():
    axis = axis_of_angles(2.0 * DEG, 6.0 * DEG, "left")
    # the rim's points at hub height lie where its plane cuts the horizontal
    along = np.cross(axis, [0.0, 0.0, 1.0])
    front = 0.2 * along / np.linalg.norm(along)
    assert front[0] > 0.0
    # the left wheel's front is nearer to the right wheel, by -y
    assert_allclose(-2.0 * front[1], toe_length(2.0 * DEG, 0.4), atol=1e-15)


def test_thrust_line_of_a_rear_axle_that_steers_to_the_left():
    # left toe -0.1 (out, its front to the left), right toe 0.3 (in, to the left as well):
    # the mean heading is 0.2 to the left
    values = told(car(toes=(0.1, 0.1, -0.1, 0.3)))
    assert_allclose(values["thrust", "centre line"], 0.2, atol=1e-12)
    assert_allclose(values["rear total toe", "the other wheel"], 0.2, atol=1e-12)
    # seen from the thrust line, the front wheels point to the right by 0.2: in on the left
    assert_allclose(values["front left toe", "thrust line"], 0.3, atol=1e-12)
    assert_allclose(values["front right toe", "thrust line"], -0.1, atol=1e-12)


def test_total_toe_does_not_depend_on_the_reference_line():
    wheels = car(toes=(0.4, -0.1, 0.2, 0.1))
    wheels[2] = WheelState("rear", "left", wheels[2].axis, wheels[2].centre + [-0.02, 0.0, 0.0])
    a, b = told(wheels), told(wheels, line="rear track")
    assert_allclose(
        a["front total toe", "the other wheel"], b["front total toe", "the other wheel"]
    )
    assert abs(a["front left toe", "centre line"] - b["front left toe", "rear track"]) > 0.5


def test_setback_track_and_wheelbases():
    wheels = car()
    wheels[1] = WheelState("front", "right", wheels[1].axis, np.array([2.49, -0.75, 0.3]))
    values = told(wheels)
    # the front right wheel stands 10 mm behind the left one
    assert_allclose(values["front setback", "centre line"], 0.01, atol=1e-12)
    assert_allclose(values["left wheelbase", "front to rear"], 2.5, atol=1e-12)
    assert_allclose(values["right wheelbase", "front to rear"], 2.49, atol=1e-12)
    assert_allclose(values["rear track", "wheel centres"], 1.5, atol=1e-12)


def test_angles_do_not_depend_on_the_frame_of_measurement():
    wheels = car((0.1, 0.2, -0.1, 0.3), (-0.5, -0.7, -1.0, -1.1))
    turn = exp_rotvec(np.array([0.3, -0.2, 1.1]))
    moved = [
        WheelState(w.axle, w.side, turn @ w.axis, turn @ w.centre + [1.0, 2.0, 3.0])
        for w in wheels
    ]
    assert_allclose(
        list(told(moved, turn[:, 2]).values()), list(told(wheels).values()), atol=1e-11
    )
    # all centres 0.3 m above the floor: their plane is level
    assert_allclose(list(told(moved, None).values()), list(told(wheels).values()), atol=1e-9)


def test_a_floor_that_rises_to_the_left_changes_camber_and_not_total_toe():
    wheels = car(cambers=(-1.0, -1.0, -1.0, -1.0))
    tipped = told(wheels, up=(0.0, math.sin(0.5 * DEG), math.cos(0.5 * DEG)))
    # up leans to the left: the left wheel's top, outward, loses 0.5 deg, the right one's gains
    assert_allclose(tipped["front left camber", "level"], -1.5, atol=1e-9)
    assert_allclose(tipped["front right camber", "level"], -0.5, atol=1e-9)


def test_vehicle_jacobian_predicts_a_small_disturbance():
    wheels = car((0.1, 0.2, -0.1, 0.3), (-0.5, -0.7, -1.0, -1.1))
    up = np.array([0.0, 0.0, 1.0])
    jacobian = vehicle_jacobian(wheels, up)
    # a front left wheel turned by δ about z toes out by δ; the up direction turned about x by
    # δ leans to the right, by -y: the left camber grows by δ
    names = [q.name for q in quantities(("front", "rear"))]
    toe = names.index("front left toe")
    assert_allclose(jacobian[toe, 2], -1.0, atol=1e-9)
    assert_allclose(jacobian[names.index("front left camber"), -3], 1.0, atol=1e-4)


def test_wheels_that_cannot_be_are_refused():
    with pytest.raises(GeometryError, match="left or right"):
        axis_of_angles(0.0, 0.0, "middle")
    with pytest.raises(GeometryError, match="must point to the left"):
        angles_of_axis(np.array([0.0, -1.0, 0.0]), "left")
    with pytest.raises(GeometryError, match="rear axle needs one left and one right"):
        vehicle_values(car()[:3], np.array([0.0, 0.0, 1.0]))
    with pytest.raises(GeometryError, match="two axles"):
        vehicle_values(car()[:2], np.array([0.0, 0.0, 1.0]))
    with pytest.raises(GeometryError, match="on a line"):
        upward_of_centres(np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]]), np.array([0.0, 0, 1]))
    assert_allclose(outward(np.array([0.0, -1.0, 0.0]), "left"), [0.0, 1.0, 0.0])
