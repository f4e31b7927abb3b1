"""The file to fill in on site, with the plan's numbers in comments."""

from __future__ import annotations

import math

from bench.errors import GeometryError
from bench.geometry.camera import project_camera
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Wheel
from bench.setting_out.dimensions import AimPoint, aim_point, anchors_of, square_check

HEAD = """\
# What was measured on site, for 'sightbench site {bay} --as-built THIS.toml'.
#
# Write what you measured, with its unit, and take the # away before it; leave the rest: what
# isn't measured counts as planned. Behind each key stands what the plan has. Quantities are
# texts: "1600 mm", "5 ft 3 in", "-13.5 deg". Keys and signs are those of the siting sheet and of
# the bay file; right of the centre line (the vehicle's right) offsets are negative.

# standoff = "{standoff}"   # from the tower line to the near axle, horizontally

[uncertainty]   # standard uncertainty of each number: about half of what you would bet on
length = "2 mm"
angle = "0.1 deg"
pixel = "3 px"

[square]        # the two diagonals between the corners on the floor; both or none
# one_three = "{diagonal}"
# two_four = "{diagonal}"

[floor]         # slopes, by a level; towers are taken to stand plumb on it
# along = "0 deg"    # positive where it rises toward the towers
# across = "0 deg"   # positive where it rises to the vehicle's left
"""
TOWER = """
[[tower]]
name = {name}
# where the camera's centre is:
# offset = "{offset}"      # from the centre line, positive to the vehicle's left
# forward = "{forward}"    # behind the tower line, negative before it
# height = "{height}"      # above the floor
# its aim, by an angle gauge:
# yaw = "{yaw}"      # positive to the camera's left
# pitch = "{pitch}"   # positive upwards
# roll = "{roll}"     # positive clockwise as seen from behind the camera
# the tower out of plumb, where pitch and roll weren't measured at the camera:
# lean_along = "0 deg"    # top away from the vehicle
# lean_across = "0 deg"   # top to the vehicle's left
#
# instead of offset and forward, two or more anchor points: from the centre line, positive to the
# vehicle's left, and behind the tower line
# [tower.anchors]
{anchors}
#
# instead of yaw and pitch, where targets appear in its picture: pixel of the plate's middle
# [[tower.seen]]
# target = "{target}"
# at = {pixel}
#
# or instead of all of this tower's, a photograph by its camera of a target on a floor mark
# [tower.photo]
# image = "{photo}.png"
# # target = "charuco:4x4_50:7x5:40 mm:30 mm"   # the bay's own when left out
# mark = {mark}
"""


def template(bay: Bay, file: str | None = None) -> str:
    """Return the text of a file to fill in, with the bay's towers.

    Parameters
    ----------
    bay : Bay
        As planned.
    file : str, optional
        Name of the file that has this plan; that which the bay was read from by default.
    """
    head = HEAD.format(
        bay=bay.path.name if file is None else file,
        standoff=_mm(bay.standoff),
        diagonal=_mm(square_check(bay).diagonal),
    )
    return head + "".join(_tower(bay, tower) for tower in bay.towers)


def _tower(bay: Bay, tower: Tower) -> str:
    place = tower.placement
    seen = wheels_of_tower(bay, tower)
    wheel = f"{seen[0].vehicle} {seen[0].name} at {seen[0].station}" if seen else "a target's name"
    return TOWER.format(
        name=_quoted(tower.name),
        offset=_mm(place.offset),
        forward=_mm(place.forward),
        height=_mm(place.height),
        yaw=_deg(place.yaw),
        pitch=_deg(place.pitch),
        roll=_deg(place.roll),
        anchors="\n".join(
            f'# {a.name} = ["{_mm(a.y)}", "{_mm(a.x)}"]'
            for a in anchors_of(place, bay.surroundings.column)
        ),
        target=wheel,
        pixel=_pixel(tower, seen[0]) if seen else '["1200 px", "900 px"]',
        mark=_mark(tower, bay.standoff),
        photo="".join(c if c.isalnum() else "-" for c in tower.name),
    )


def _pixel(tower: Tower, wheel: Wheel) -> str:
    """Return where the plate's middle appears as planned."""
    middle = (tower.T_bay_camera.inverse() @ wheel.T_bay_target).translation
    try:
        u, v = project_camera(middle[None], tower.camera)[0]
    except GeometryError:  # the plan doesn't have it in the picture
        return '["1200 px", "900 px"]'
    return f'["{round(float(u))} px", "{round(float(v))} px"]'


def _mark(tower: Tower, distance: float) -> str:
    """Return a mark that the camera looks at, over the near axle's line."""
    place = tower.placement
    at = aim_point(tower, distance) or AimPoint(place.offset, place.height, distance)
    return (
        f'{{ offset = "{_mm(at.offset)}", distance = "{_mm(at.distance)}", '
        f'height = "{_mm(at.height)}", heading = "0 deg" }}'
    )


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _mm(metres: float) -> str:
    return f"{round(1000.0 * metres)} mm"


def _deg(radians: float) -> str:
    return f"{round(math.degrees(radians), 2) + 0.0:g} deg"
