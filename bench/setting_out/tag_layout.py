"""Tags of known places that a bay file implies, as tables for `measure --layout`: bar, floor.

The bar's layout is its own frame: origin half way between the targets, x toward target A, y up, z
out of the faces. The floor's is the bay's: a tag lies at each corner of the square check, face up,
its upper side away from the towers, so that their cameras see it upright.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench.errors import ConfigError
from bench.files import write_atomically
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation, rotation_z
from bench.scene.model import Bay
from bench.setting_out.sheet_bay import square_corners
from bench.targets.dictionary import check_ids, dictionary
from bench.targets.marker import is_turned
from bench.targets.target import Target
from bench.typing import Array

HEADER = "dictionary,id,size_mm,x_mm,y_mm,z_mm,rx_deg,ry_deg,rz_deg,u_mm"
# How well a tag's place on the floor is known, as the siting sheet's table of measures begins.
FLOOR_U_M = 2e-3
# From the bay's axes: to the vehicle's left, away from the towers, up.
R_BAY_FLOOR_TAG = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, eq=False)
class PlacedTag:
    """A tag and where it stands: dictionary, id, size (metres), pose, standard uncertainty."""

    dictionary: str
    marker_id: int
    size: float
    T_layout_tag: Pose
    u_m: float


def layout_of_bay(bay: Bay, which: str) -> tuple[PlacedTag, ...]:
    """Return the tags of the ``bar`` or of the ``floor``.

    Raises
    ------
    ConfigError
        The bay's targets have no tags, or too few ids for the floor.
    """
    return _bar(bay) if which == "bar" else _floor(bay)


def _bar(bay: Bay) -> tuple[PlacedTag, ...]:
    bar = bay.bar
    # an error of the length moves each end by half of it; u is that of a coordinate
    u = 0.5 * (bar.length_uncertainty or 0.0)
    ends = ((bar.T_bar_a, bar.target_a), (bar.T_bar_b, bar.target_b))
    return tuple(tag for T, target in ends for tag in _tags(target, T, u, bay))


def _tags(target: Target, T_layout_target: Pose, u: float, bay: Bay) -> tuple[PlacedTag, ...]:
    name = _dictionary(target, bay)
    return tuple(
        PlacedTag(name, i, target.marker_size, T_layout_target @ _on_target(corners), u)
        for i, corners in target.markers.items()
    )


def _on_target(corners: Array) -> Pose:
    """Return a tag's pose on its target, upside down where it is drawn so."""
    turn = rotation_z(math.pi) if is_turned(corners) else np.eye(3)
    return Pose(turn, np.append(corners.mean(axis=0), 0.0))


def _floor(bay: Bay) -> tuple[PlacedTag, ...]:
    target = bay.target
    name = _dictionary(target, bay)
    corners = square_corners(bay)
    others = (target, *dict(bay.wheel_targets).values(), bay.bar.target_a, bay.bar.target_b)
    taken = {i for other in others for i in other.markers}
    book = dictionary(name)
    free = [i for i in range(book.size) if i not in taken][: len(corners)]
    if len(free) < len(corners):
        raise ConfigError(
            f"{bay.path}: {book.name} has {book.size} ids; {len(corners)} beside the targets' own "
            "are needed for the floor"
        )
    check_ids(book, max(free))
    size = target.marker_size
    return tuple(
        PlacedTag(name, i, size, Pose(R_BAY_FLOOR_TAG, np.array([x, y, 0.0])), FLOOR_U_M)
        for i, (x, y) in zip(free, corners.values(), strict=True)
    )


def _dictionary(target: Target, bay: Bay) -> str:
    if target.dictionary is None or not target.markers:
        raise ConfigError(f"{bay.path}: '{target.name}' has no tags for a layout")
    return target.dictionary


def write_layout(path: Path, tags: Sequence[PlacedTag]) -> None:
    """Write a table that `measure --layout` reads.

    Raises
    ------
    RunError
        The file can't be written.
    """
    lines = [HEADER, *(_line(tag) for tag in tags)]
    write_atomically(path, ("\n".join(lines) + "\n").encode())


def _line(tag: PlacedTag) -> str:
    place = 1e3 * tag.T_layout_tag.translation
    turn = np.degrees(log_rotation(tag.T_layout_tag.rotation))
    # + 0.0: no "-0"
    numbers = [1e3 * tag.size, *(np.round(place, 4) + 0.0), *(np.round(turn, 6) + 0.0)]
    numbers.append(round(1e3 * tag.u_m, 4))
    return ",".join((tag.dictionary, str(tag.marker_id), *(f"{n:.10g}" for n in numbers)))


def layout_words(which: str, tags: Sequence[PlacedTag], path: Path) -> list[str]:
    """Return what was written, and what to print and measure."""
    ids = ", ".join(str(tag.marker_id) for tag in tags)
    first = tags[0]
    said: Mapping[str, str] = {
        "bar": "the bar's frame, x toward target A, y up, z out of the faces; u_mm is half of its "
        "length's uncertainty",
        "floor": "tags lie at the square check's corners 1 to 4, face up, upper side away from "
        "the towers; print them with: sightbench targets --dictionary "
        f"{first.dictionary} --id {ids.replace(' ', '')} --size '{1e3 * first.size:.6g} mm'; "
        "write what you measured in place of the plan's numbers",
    }
    return [
        f"wrote {path}: {len(tags)} tags of {first.dictionary}, ids {ids}: {said[which]}",
        f"then: sightbench measure PICTURES --camera CAMERA --layout {path}",
    ]
