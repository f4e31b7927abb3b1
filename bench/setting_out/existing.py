"""Tape distances of anchor points from what stands in the room already."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bench.scene.model import Bay, Tower
from bench.scene.occupancy import obstacle_prisms
from bench.scene.prism import Prism
from bench.scene.surroundings import Box, Post
from bench.setting_out.dimensions import Anchor, anchors_of

Point = tuple[float, float]
TAPE_HEIGHT = 0.3  # a thing whose underside is higher can't be taped to on the floor, metres


@dataclass(frozen=True)
class Taped:
    """An anchor point's distance from the nearest thing that exists.

    Attributes
    ----------
    tower : str
        Name.
    anchor : Anchor
        Which point.
    thing : str
        Such as ``"the left wall"``.
    at : (float, float)
        The thing's nearest point, x and y, metres.
    """

    tower: str
    anchor: Anchor
    thing: str
    at: Point

    @property
    def distance(self) -> float:
        """Metres."""
        return math.dist((self.anchor.x, self.anchor.y), self.at)


def taped(bay: Bay, tower: Tower) -> tuple[Taped, ...]:
    """Return each anchor point's distance from the nearest wall or post, or else box.

    A wall's is square to it, a post's to its surface. A box can be carried away, so that it counts
    where there is neither; of a mesh a tape can't be told where to go. Empty where nothing stands.
    """
    found = []
    for anchor in anchors_of(tower.placement, bay.surroundings.column):
        things = _fixed(bay, anchor) or _boxes(bay, anchor)
        own = [Taped(tower.name, anchor, name, at) for name, at in things]
        if own:
            found.append(min(own, key=lambda one: one.distance))
    return tuple(found)


def _fixed(bay: Bay, anchor: Anchor) -> list[tuple[str, Point]]:
    """Return walls and posts, each with its point nearest to an anchor."""
    x, y = anchor.x, anchor.y
    found: list[tuple[str, Point]] = []
    room = bay.surroundings.room
    if room is not None:
        found += [
            ("the wall ahead", (room.ahead, y)),
            ("the left wall", (x, room.left)),
            ("the right wall", (x, -room.right)),
        ]
    for post in bay.surroundings.obstacles:
        if isinstance(post, Post):
            (cx, cy), share = post.centre, post.radius / math.dist(post.centre, (x, y))
            found.append((post.name, (cx + share * (x - cx), cy + share * (y - cy))))
    return found


def _boxes(bay: Bay, anchor: Anchor) -> list[tuple[str, Point]]:
    """Return boxes that a tape on the floor reaches, each with its point nearest to an anchor."""
    found: list[tuple[str, Point]] = []
    for box in bay.surroundings.obstacles:
        if isinstance(box, Box) and box.bottom < TAPE_HEIGHT:
            (prism,) = obstacle_prisms(bay, box)
            found.append((box.name, _nearest(prism, (anchor.x, anchor.y))))
    return found


def _nearest(prism: Prism, point: Point) -> Point:
    """Return the point of a footprint's outline that is nearest to one outside it."""
    p, best = np.array(point), (math.inf, point)
    for a, b in zip(prism.corners, np.roll(prism.corners, -1, axis=0), strict=True):
        way = b - a
        share = float(np.clip((p - a) @ way / (way @ way), 0.0, 1.0))
        at = a + share * way
        best = min(best, (float(np.linalg.norm(p - at)), (float(at[0]), float(at[1]))))
    return best[1]
