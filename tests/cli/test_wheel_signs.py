"""Signs of toe and camber by hand, through `sightbench wheels`: nothing of the bench's geometry.

ISO 8855:2011, 7.1.6: static toe is the angle between X of the vehicle and the wheel's plane,
about Z; by convention toe-in is positive. Camber is positive where the wheel's top leans outward.
"""

import json
import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from bench.cli.main import main

# Outward spin axes, x forward, y left, z up. Front left: toe-in 1 deg, camber +2 deg. Square,
# the axis is (0, 1, 0). The top leaning outward, to the left, tips the axis down: (0, cos 2,
# -sin 2). The front pointing inward, to the right, carries it forward by turning about z:
# (sin 1 cos 2, cos 1 cos 2, -sin 2), by a pocket calculator:
AXES = {
    "front left": (0.0174418, 0.9992386, -0.0348995),
    # the mirror image of it: toe-in 1 deg, camber +2 deg
    "front right": (0.0174418, -0.9992386, -0.0348995),
    # toe-out 0.2 deg, camber -1 deg: (-sin 0.2 cos 1, cos 0.2 cos 1, sin 1)
    "rear left": (-0.0034901, 0.9998416, 0.0174524),
    # toe-in 0.4 deg, camber -1 deg
    "rear right": (0.0069803, -0.9998233, 0.0174524),
}
CENTRES = {
    "front left": (2500.0, 750.0, 300.0),
    "front right": (2500.0, -750.0, 300.0),
    "rear left": (0.0, 740.0, 300.0),
    "rear right": (0.0, -740.0, 300.0),
}
# upward steering axes: caster 5 deg leans the top to the rear, inclination 12 deg inward
STEERING = {
    "front left": (-math.tan(math.radians(5)), -math.tan(math.radians(12)), 1.0),
    "front right": (-math.tan(math.radians(5)), math.tan(math.radians(12)), 1.0),
}


def unit(v):
    return np.array(v) / np.linalg.norm(v)


def row(name, kind, rotation, place):
    numbers = [*rotation.as_rotvec(degrees=True), *place]
    return ",".join([name, kind, *(f"{v:.10f}" for v in numbers), *["0.001"] * 6])


def table(yaw_deg=0.0):
    stand = Rotation.from_euler("z", yaw_deg, degrees=True)
    columns = "wheel,kind,rx_deg,ry_deg,rz_deg,x_mm,y_mm,z_mm"
    lines = [columns + ",u_rx_deg,u_ry_deg,u_rz_deg,u_x_mm,u_y_mm,u_z_mm"]
    for name, outward in AXES.items():
        axis, centre = unit(outward), np.array(CENTRES[name])
        # the target is askew on the wheel, and off its centre
        own = Rotation.from_euler("zyx", [17.0, 35.0, -8.0], degrees=True)
        aside = np.array([3.0, -2.0, 5.0])
        arm = 60.0 * axis + aside - (aside @ axis) * axis
        # rolling forward turns every wheel about the vehicle's left, and carries it forward
        left = axis if axis[1] > 0 else -axis
        for roll in (-30.0, 15.0, 0.0):
            turn = Rotation.from_rotvec(np.radians(roll) * left)
            forward = np.array([300.0 * math.radians(roll), 0.0, 0.0])
            lines.append(
                row(
                    name,
                    "roll",
                    stand * turn * own,
                    stand.apply(centre + forward + turn.apply(arm)),
                )
            )
        if name in STEERING:
            for steer in (-20.0, 20.0):
                turn = Rotation.from_rotvec(np.radians(steer) * unit(STEERING[name]))
                lines.append(
                    row(name, "steer", stand * turn * own, stand.apply(centre + turn.apply(arm)))
                )
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    out = tmp_path_factory.mktemp("signs")
    (out / "hand.csv").write_text(table())
    options = ["--outboard", "60 mm", "--rim", "400 mm"]
    assert main(["wheels", str(out / "hand.csv"), *options, "--out", str(out)]) == 0
    rows = json.loads((out / "wheels.json").read_text())["value"]["rows"]
    return {(r["name"], r["refers_to"]): r for r in rows}


@pytest.mark.parametrize(
    ("name", "reference", "value"),
    [
        ("front left toe", "centre line", 1.0),
        ("front right toe", "centre line", 1.0),
        ("front left camber", "table's z", 2.0),
        ("front right camber", "table's z", 2.0),
        ("front total toe", "the other wheel", 2.0),
        ("rear left toe", "centre line", -0.2),
        ("rear right toe", "centre line", 0.4),
        ("rear left camber", "table's z", -1.0),
        ("rear right camber", "table's z", -1.0),
        ("rear total toe", "the other wheel", 0.2),
        # the rear left front points to the left by 0.2, the rear right one by 0.4: the mean
        ("thrust", "centre line", 0.3),
        # from a line that points 0.3 to the left, the left wheel points in by as much more
        ("front left toe", "thrust line", 1.3),
        ("front right toe", "thrust line", 0.7),
        ("front left caster", "table's z", 5.0),
        ("front right caster", "table's z", 5.0),
        ("front left inclination", "table's z", 12.0),
        ("front right inclination", "table's z", 12.0),
    ],
)
def test_an_angle_comes_out_with_the_sign_found_by_hand(answers, name, reference, value):
    # axes above are to seven digits, 3e-6 deg
    assert answers[name, reference]["value"] == pytest.approx(value, abs=2e-5)


def test_toe_in_millimetres_by_hand(answers):
    # 400 mm times sin 1 deg = 6.981 mm; total toe: twice that, to 1 part in 3000 (sin 2 deg)
    assert answers["front left toe", "centre line"]["toe_mm"] == pytest.approx(6.981, abs=1e-3)
    total = answers["front total toe", "the other wheel"]["toe_mm"]
    assert total == pytest.approx(2 * 6.981, rel=4e-4)
    assert answers["rear left toe", "centre line"]["toe_mm"] == pytest.approx(-1.396, abs=1e-3)
    assert answers["front track", "wheel centres"]["value"] == pytest.approx(1500.0, abs=0.05)


@pytest.mark.parametrize("yaw_deg", [0.2, 0.8, 3.0])
def test_a_vehicle_that_stands_askew_has_the_same_thrust_to_its_rear_track(tmp_path, yaw_deg):
    (tmp_path / "hand.csv").write_text(table(yaw_deg))
    options = ["--outboard", "60 mm", "--rear-track", "--out", str(tmp_path)]
    assert main(["wheels", str(tmp_path / "hand.csv"), *options]) == 0
    rows = json.loads((tmp_path / "wheels.json").read_text())["value"]["rows"]
    thrust = next(r for r in rows if r["name"] == "thrust")
    # the rear wheels' centres stand square: the thrust found by hand above
    assert thrust["refers_to"] == "rear track"
    assert thrust["value"] == pytest.approx(0.3, abs=2e-5)
