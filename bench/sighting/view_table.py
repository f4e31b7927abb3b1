"""Visible part of each wheel's target from the towers, and what hides the rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from bench.envelope import Facts, Kind, Origin, write_result
from bench.errors import GeometryError
from bench.files import write_atomically
from bench.geometry.camera import project
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Wheel
from bench.scene.wheel_ids import cannot_tell, marker_id
from bench.sighting.visibility import Visibility, sight
from bench.typing import Array

VIEW_FILES = ("view.csv", "view.json")
SIDE = "on their tower's side"
VIEW = Kind("view", VIEW_FILES[1], "view", Facts)


@dataclass(frozen=True, eq=False)
class Seen:
    """One tower's view of one wheel's target.

    Attributes
    ----------
    tower : Tower
        Whose camera.
    wheel : Wheel
        Whose target.
    visibility : Visibility
        How much of the plate nothing hides, and what hides the rest.
    outline_px : (4, 2) float64 or None
        The plate's corners, pixels; None where it has no image.
    in_picture : bool
        Whether all corners lie in the picture.
    least : float
        Visible fraction that is asked for.
    marker_id : int or None
        Of the target, where ids tell wheels apart.
    """

    tower: Tower
    wheel: Wheel
    visibility: Visibility
    outline_px: Array | None
    in_picture: bool
    least: float
    marker_id: int | None = None

    @property
    def enough(self) -> bool:
        """Whether the target is in the picture and as visible as is asked for."""
        return self.in_picture and self.visibility.fraction >= self.least

    @property
    def words(self) -> str:
        """What is wrong with it, empty where it is seen well enough."""
        if self.enough:
            return ""
        where = (
            f"{self.tower.name} tower, {self.wheel.vehicle} {self.wheel.name} at "
            f"{self.wheel.station}"
        )
        if not self.in_picture:
            return f"{where}: not wholly in the picture; visible {self.visibility}"
        return f"{where}: visible {self.visibility}; {100.0 * self.least:g} % is asked for"


def views(bay: Bay, vehicles: Sequence[str], stations: Sequence[str]) -> tuple[Seen, ...]:
    """Return each tower's view of every target on its side, of named vehicles at stations.

    Raises
    ------
    ConfigError
        A mesh file can't be read.
    """
    return tuple(
        _seen(bay, tower, wheel)
        for tower in bay.towers
        for wheel in wheels_of_tower(bay, tower)
        if wheel.vehicle in vehicles and wheel.station in stations
    )


def _seen(bay: Bay, tower: Tower, wheel: Wheel) -> Seen:
    outline = np.column_stack((bay.target.drawing.outline, np.zeros(4)))
    T_camera_target = tower.T_bay_camera.inverse() @ wheel.T_bay_target
    try:
        pixels = project(outline, T_camera_target, tower.camera)
    except GeometryError:
        pixels = None
    inside = pixels is not None and tower.camera.contains(pixels)
    told, own = sight(bay, tower, wheel), marker_id(bay, wheel.name)
    return Seen(tower, wheel, told, pixels, inside, bay.siting.visible, own)


def verdict(seen: Sequence[Seen], whose: str) -> str:
    """Return how many of targets are seen, in words."""
    failing = sum(not one.enough for one in seen)
    if not failing:
        return f"{len(seen)} of {len(seen)} targets {whose} are seen"
    return f"{failing} of {len(seen)} targets {whose} " + (
        "isn't seen well enough" if failing == 1 else "aren't seen well enough"
    )


def view_table(seen: Sequence[Seen]) -> pl.DataFrame:
    """Return one row a tower and target."""
    return pl.DataFrame([_row(one) for one in seen], infer_schema_length=None)


def _row(one: Seen) -> dict[str, Any]:
    wheel = one.wheel
    middle = None if one.outline_px is None else one.outline_px.mean(axis=0)
    way = wheel.T_bay_target.translation - one.tower.T_bay_camera.translation
    return {
        "tower": one.tower.name,
        "vehicle": wheel.vehicle,
        "station": wheel.station,
        "wheel": wheel.name,
        "marker_id": one.marker_id,
        "visible": one.visibility.fraction,
        "hidden_by": "; ".join(f"{n} {part:.3f}" for n, part in one.visibility.hidden_by),
        "in_picture": one.in_picture,
        "enough": one.enough,
        "range_m": float(np.linalg.norm(way)),
        "u_px": None if middle is None else float(middle[0]),
        "v_px": None if middle is None else float(middle[1]),
    }


def write_views(directory: Path, bay: Bay, seen: Sequence[Seen], origin: Origin) -> list[Path]:
    """Write the table as view.csv and, with what fails, as view.json.

    Raises
    ------
    RunError
        A file can't be written.
    """
    table = view_table(seen)
    csv, document = (directory / name for name in VIEW_FILES)
    write_atomically(csv, table.write_csv(float_precision=4).encode())
    value = {
        "least_visible": bay.siting.visible,
        "targets": cannot_tell(bay) or "told apart by their ids",
        "holds": all(one.enough for one in seen),
        "failures": [one.words for one in seen if not one.enough],
        "views": [
            row | {"hidden_by": dict(one.visibility.hidden_by)}
            for row, one in zip(table.to_dicts(), seen, strict=True)
        ],
    }
    return [csv, write_result(document, VIEW, value, origin)]


def view_words(seen: Sequence[Seen]) -> list[str]:
    """Return what is seen, in words."""
    failing = [one.words for one in seen if not one.enough]
    if not failing:
        least = min(seen, key=lambda one: one.visibility.fraction)
        return [
            f"All {len(seen)} targets are seen: {100.0 * least.visibility.fraction:.1f} % or more "
            f"of each plate, {100.0 * least.least:g} % is asked for."
        ]
    return [f"{verdict(seen, SIDE)}:"] + [f"  {words}" for words in failing]
