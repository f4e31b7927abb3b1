"""Outboard distance that targets need for the bodies of vehicles to hide none of them."""

from __future__ import annotations

from dataclasses import replace

from bench.scene.model import Bay, wheels_of_tower
from bench.sighting.visibility import visibility
from bench.units import format_length

STEP, MOST = 0.05, 0.4  # metres; what a longer stub carries, our own choice, no source


def farther_out(bay: Bay, by: float) -> Bay:
    """Return the bay with every target farther outboard by so much, metres."""
    vehicles = tuple(
        replace(
            vehicle,
            axles=tuple(
                replace(axle, mount=replace(axle.mount, outboard=axle.mount.outboard + by))
                for axle in vehicle.axles
            ),
        )
        for vehicle in bay.vehicles
    )
    return replace(bay, vehicles=vehicles)


def clearing_outboard(bay: Bay) -> float | None:
    """Return how much farther outboard shows every target as far as asked, metres.

    None where nothing is hidden, or `MOST` isn't enough.
    """
    for k in range(round(MOST / STEP) + 1):
        moved = farther_out(bay, k * STEP)
        if all(
            visibility(moved, tower, wheel) >= bay.siting.visible
            for tower in moved.towers
            for wheel in wheels_of_tower(moved, tower)
        ):
            return k * STEP if k else None
    return None


def outboard_words(bay: Bay) -> list[str]:
    """Say what longer mounts would do where bodies hide targets; nothing where they don't."""
    by = clearing_outboard(bay)
    if by is None:
        return []
    now = max(axle.mount.outboard for vehicle in bay.vehicles for axle in vehicle.axles)
    return [
        f"There bodies hide targets: {format_length(now + by)} outboard, {format_length(by)} more "
        "than now, shows them all. Set outboard in [mount] and site again."
    ]
