"""Bar poses that a plan may choose from: a grid of places, heights, headings and turns."""

from __future__ import annotations

import math
from itertools import product

import numpy as np

from bench.registration.bar_views import is_usable
from bench.scene.bar import BarPose
from bench.scene.holder import stepped
from bench.scene.model import Bay
from bench.scene.occupancy import obstacle_prisms, tower_prisms
from bench.scene.prism import Prism, block, overlap
from bench.scene.surroundings import MeshObject

# The grid, our own and as coarse as it may be: on the shipped bay a quarter of this spacing of
# turns makes the sixth root of the uncertainty's volume 1 % smaller, half that of headings 0.1 %.
NEAREST, RATIO, DISTANCES = 0.85, 1.2, 7  # of the standoff, each so many times the one before
MOST_HEADING = math.radians(45.0)
HEADING_SPACING = math.radians(15.0)
TURN_SPACING = math.radians(60.0)
# Along the bay that two stands take, metres; our own assumption, no source.
STAND_DEPTH = 0.3


def candidates(bay: Bay) -> tuple[BarPose, ...]:
    """Return the bar poses that a plan may choose from.

    Distances go with the bay's standoff; headings are those for which the floor has room, between
    the walls and clear of obstacles and towers; heights, slopes (one stand low, the other high)
    and turns are those that the bar's stands hold. Both towers see a target in each, wherever an
    operator's scatter takes the bar.
    """
    bar = bay.bar
    heights = sorted(set(bar.heights))
    lift = 0.0
    if len(heights) > 1:
        lift = float(np.arcsin(min((heights[-1] - heights[0]) / bar.length, 0.5)))
    places = [
        *((height, 0.0) for height in heights),
        *((0.5 * (heights[0] + heights[-1]), sign * lift) for sign in (1.0, -1.0) if lift),
    ]
    distances = [NEAREST * RATIO**k * bay.standoff for k in range(DISTANCES)]
    headings = stepped((-MOST_HEADING, MOST_HEADING), HEADING_SPACING)
    things = _things(bay)
    return tuple(
        pose
        for distance, heading, (height, slope) in product(distances, headings, places)
        if _has_room(bay, BarPose(distance, 0.0, height, heading, slope), things)
        for turn in bar.turns(TURN_SPACING)
        for pose in [BarPose(distance, 0.0, height, heading, slope, turn)]
        if is_usable(bay, pose)
    )


def _things(bay: Bay) -> list[Prism]:
    around = bay.surroundings
    found = [part for tower in bay.towers for part in tower_prisms(tower, around.column)]
    for obstacle in around.obstacles:
        if not isinstance(obstacle, MeshObject):  # such as a scan of the whole hall
            found += obstacle_prisms(bay, obstacle)
    return found


def _has_room(bay: Bay, pose: BarPose, things: list[Prism]) -> bool:
    """Tell whether the bar on its stands fits between the walls and clear of what stands there."""
    bar = bay.bar
    plates = (bar.target_a.drawing, bar.target_b.drawing)
    size = (STAND_DEPTH, bar.length + max(plate.width for plate in plates))
    top = pose.height + 0.5 * bar.length * abs(math.sin(pose.slope))
    top += 0.5 * max(plate.height for plate in plates)
    own = block("bar", (-pose.distance, pose.offset), size, (0.0, top), pose.heading)
    room = bay.surroundings.room
    if room is not None:
        low_x, high_x, low_y, high_y = own.bounds
        if high_x > room.ahead or -low_x > room.behind or high_y > room.left:
            return False
        if -low_y > room.right or top > room.height:
            return False
    return all(overlap(own, thing) <= 0.0 for thing in things)
