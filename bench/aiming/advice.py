"""Advice on turning and tipping a tower, from one picture of it: angles, gains, when to stop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from bench.aiming.finding import Search, find_targets
from bench.aiming.orientation import UPRIGHT, orientation
from bench.aiming.placing import Placing, place
from bench.errors import ConfigError
from bench.imaging.picture import Picture
from bench.scene.model import Bay, Placement, Tower, wheels_of_tower
from bench.scene.vehicle import Wheel
from bench.setting_out.placements import replace_placement
from bench.sighting.prediction import predictor_of
from bench.sighting.sighting import Sighting, sightings_of
from bench.sighting.visibility import Visibility, sight
from bench.survey.setup import find_tower

State = Literal["inside", "turn", "mend", "nothing"]
# Nearer to its plan a tower needn't be turned: a tenth of a degree is below a twentieth of the
# room that one plate has in the shipped bay, and what a hand at a column sets; our own choice.
STOP = math.radians(0.1)


@dataclass(frozen=True, eq=False)
class Missing:
    """A wheel whose target the picture should show, or will once the tower is turned.

    Attributes
    ----------
    now, then : Sighting
        Where it should be as the tower looks, and as planned.
    sight : Visibility
        How much of it should be seen, by the bay file, and what hides the rest.
    """

    now: Sighting
    then: Sighting
    sight: Visibility

    @property
    def is_in_picture(self) -> bool:
        """Whether its whole plate should be in the picture."""
        return self.now.imaged and self.now.margin_px >= 0.0


@dataclass(frozen=True, eq=False)
class Advice:
    """What a picture says of a tower's aim.

    Attributes
    ----------
    bay : Bay
        As planned.
    tower : Tower
        As planned.
    search : Search
        What the picture shows.
    placing : Placing or None
        Which target hangs where; None where no target was found, and then all else is empty.
    looks : Placement
        How the camera looks, by the targets.
    turn, tip : float
        What brings it back to plan, radians: to its own left, and up.
    lean : float or None
        Of the column's top to the vehicle's left, radians, if plates hang upright; None where
        there is one plate, or two contradict each other.
    rmse_px : float
        What is left between targets and where they should be seen.
    now, then : tuple of Sighting
        The vehicle's targets on this side, as the tower looks and once turned and tipped.
    level : tuple of Sighting
        The latter without the lean.
    worst : Sighting or None
        The one with least room of all vehicles at all stations, once turned and tipped.
    missing : tuple of Missing
        Targets that weren't found.
    stop : float
        How near to plan is near enough, radians.
    grey : float
        Mean of the picture's pixels, a fraction of full scale.
    """

    bay: Bay
    tower: Tower
    search: Search
    placing: Placing | None
    looks: Placement
    turn: float = 0.0
    tip: float = 0.0
    lean: float | None = None
    rmse_px: float = 0.0
    now: tuple[Sighting, ...] = ()
    then: tuple[Sighting, ...] = ()
    level: tuple[Sighting, ...] = ()
    worst: Sighting | None = None
    missing: tuple[Missing, ...] = ()
    stop: float = STOP
    grey: float = 0.0

    @property
    def is_aimed(self) -> bool:
        """Whether neither turning nor tipping would gain anything."""
        return self.placing is not None and max(abs(self.turn), abs(self.tip)) <= self.stop

    @property
    def swapped(self) -> dict[str, int]:
        """The marker that each wheel carries which isn't its own."""
        if self.placing is None:
            return {}
        return {
            wheel.name: one.marker
            for one, wheel in self.placing.pairs
            if one.marker is not None and one.owner != wheel.name
        }

    @property
    def short(self) -> tuple[Sighting, ...]:
        """Targets with less room than is asked for, once the tower is turned and tipped."""
        least = self.bay.siting.margin
        # a hair of rounding, as `Constraint.holds` has it
        return tuple(one for one in self.then if one.room < least - 1e-6)

    @property
    def state(self) -> State:
        """Whether it is aimed and all is well, is to be turned, has a fault, or shows nothing."""
        if self.placing is None:
            return "nothing"
        if not self.is_aimed:
            return "turn"
        faults = self.swapped or self.missing or self.short or self.leans or self.search.twice
        return "mend" if faults else "inside"

    @property
    def leans(self) -> bool:
        """Whether it leans by more than plates can hang askew."""
        return self.lean is not None and abs(self.lean) > UPRIGHT


def advise_aim(
    bay: Bay,
    picture: Picture,
    *,
    tower: str | None = None,
    vehicle: str | None = None,
    station: str | None = None,
    stop: float = STOP,
) -> Advice:
    """Return what a whole picture says of a tower's aim.

    The tower's camera is taken to stand where it is planned, and the vehicle too; the angles
    follow from where its targets appear.

    Parameters
    ----------
    bay : Bay
        As planned.
    picture : Picture
        Taken by the tower's camera.
    tower : str, optional
        Whose picture; told by its targets' ids where left out.
    vehicle, station : str, optional
        What stands where; the likeliest by default.
    stop : float
        How near to plan is near enough, radians.

    Raises
    ------
    ConfigError
        A name is none of the bay's; or no tower is named where ids can't tell.
    """
    towers = _asked(bay, tower)
    search = find_targets(bay, towers[0], picture)
    grey = float(picture.grey.mean()) / picture.full_scale
    if not search.targets:
        return Advice(bay, towers[0], search, None, towers[0].placement, stop=stop, grey=grey)
    # targets were found with the first tower's camera; others may have their own
    searches = [
        search if other.camera == towers[0].camera else find_targets(bay, other, picture)
        for other in towers
    ]
    placings = [
        place(bay, one, found.targets, vehicle, station)
        for one, found in zip(towers, searches, strict=True)
        if found.targets
    ]
    best = min(range(len(placings)), key=lambda i: placings[i].cost)
    own, placing, search = towers[best], placings[best], searches[best]
    looks, lean, rmse = orientation(bay, own, placing)
    plan = own.placement
    aimed = replace(looks, yaw=plan.yaw, pitch=plan.pitch)
    # room to the edge is asked for, no uncertainty: the quickest will do
    predictor = predictor_of(bay, "corner", as_built=False)
    mine = [w for w in wheels_of_tower(bay, own) if _stands(w, placing)]
    now, then, level = (
        sightings_of(bay, replace_placement(own, at), mine, predictor, visible=False)
        for at in (looks, aimed, plan)
    )
    everyone = sightings_of(
        bay, replace_placement(own, aimed), wheels_of_tower(bay, own), predictor, visible=False
    )
    found = {wheel.name for _, wheel in placing.pairs}
    return Advice(
        bay,
        own,
        search,
        placing,
        looks,
        turn=plan.yaw - looks.yaw,
        tip=plan.pitch - looks.pitch,
        lean=lean,
        rmse_px=rmse,
        now=now,
        then=then,
        level=level,
        worst=min(everyone, key=lambda one: one.room),
        missing=tuple(
            Missing(a, b, sight(bay, own, a.wheel))
            for a, b in zip(now, then, strict=True)
            if a.wheel.name not in found
        ),
        stop=stop,
        grey=grey,
    )


def _asked(bay: Bay, name: str | None) -> tuple[Tower, ...]:
    if name is not None:
        return (find_tower(bay, name),)
    if not bay.wheel_targets:
        there = ", ".join(t.name for t in bay.towers)
        raise ConfigError(f"--tower: whose picture is it, of {there}? Targets look alike here")
    return bay.towers


def _stands(wheel: Wheel, placing: Placing) -> bool:
    return (wheel.vehicle, wheel.station) == (placing.vehicle, placing.station)


def least_room(sightings: Sequence[Sighting]) -> float:
    """Return the least room to the picture's edge, plate widths; minus infinity without image."""
    return min((one.room for one in sightings), default=math.inf)
