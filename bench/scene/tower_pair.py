"""The left and the right tower of a bay, by one rule."""

from __future__ import annotations

from bench.errors import ConfigError
from bench.scene.model import Bay, Tower


def tower_pair(bay: Bay) -> tuple[Tower, Tower]:
    """Return the leftmost and the rightmost tower.

    Raises
    ------
    ConfigError
        Two towers don't stand side by side.
    """
    ordered = sorted(bay.towers, key=lambda tower: tower.placement.offset)
    right, left = ordered[0], ordered[-1]
    if not left.placement.offset > right.placement.offset:
        raise ConfigError(f"{bay.path}: tower: registration needs two towers side by side")
    return left, right


def watching_pair(bay: Bay) -> tuple[Tower, Tower]:
    """Return the pair that watches the left and the right wheels.

    Raises
    ------
    ConfigError
        A side of the centre line has no tower.
    """
    left, right = tower_pair(bay)
    for side, offset in (("left", left.placement.offset), ("right", -right.placement.offset)):
        if not offset > 0.0:
            raise ConfigError(f"{bay.path}: no tower stands on the {side} of the centre line")
    return left, right
