"""The camera picture that an installer should see: plates where they should appear."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from bench.geometry.camera import Camera
from bench.setting_out.sheet_marks import (
    BODY,
    FINE,
    SMALL,
    THICK,
    THIN,
    Column,
    Frame,
    closed,
    dashed,
    table,
    width_of,
)
from bench.sighting.sighting import Sighting
from bench.targets.annotation import QUIET
from bench.targets.page import Line, Mark, Text
from bench.typing import Array

MOST = 6  # targets that are lettered and listed
LETTERS = "ABCDEFGH"
RING = (0.0, 4.0, 6.5, 9.0, 12.0, 15.0)  # mm from a plate's middle to its letter
TURNS = 12


def chosen(sightings: Sequence[Sighting]) -> tuple[Sighting, ...]:
    """Return the sightings to letter: those farthest out in each direction, nearest and farthest.

    At most `MOST`, in the order of their range.
    """
    imaged = [one for one in sightings if one.imaged]
    if len(imaged) <= MOST:
        return tuple(sorted(imaged, key=lambda one: one.range))
    across = sorted(imaged, key=lambda one: float(one.centre_px[0]))
    down = sorted(imaged, key=lambda one: float(one.centre_px[1]))
    far = sorted(imaged, key=lambda one: one.range)
    picks = [end for order in (far, across, down) for end in (order[0], order[-1])]
    distinct = {one.name: one for one in picks}
    for one in sorted(imaged, key=lambda one: one.margin):
        if len(distinct) >= MOST:
            break
        distinct.setdefault(one.name, one)
    return tuple(sorted(distinct.values(), key=lambda one: one.range))


def picture_marks(
    frame: Frame, camera: Camera, sightings: Sequence[Sighting]
) -> tuple[tuple[Mark, ...], float]:
    """Return the picture, its frame's top left in `frame`'s, and mm a pixel."""
    k = min(frame.width / camera.width, frame.height / camera.height)
    right, bottom = frame.left + k * camera.width, frame.top - k * camera.height
    marks: list[Mark] = [*closed(Frame(frame.left, bottom, right, frame.top).corners, THICK)]

    def at(pixel: Sequence[float] | Array) -> tuple[float, float]:
        # the frame's edge is half a pixel outside the outermost pixels' centres
        return frame.left + k * (pixel[0] + 0.5), frame.top - k * (pixel[1] + 0.5)

    # where the optical axis is: the aim mark belongs there
    x, y = at((camera.cx, camera.cy))
    marks += dashed(x - 4.0, y, x + 4.0, y, (1.0, 0.6), FINE)
    marks += dashed(x, y - 4.0, x, y + 4.0, (1.0, 0.6), FINE)
    named = chosen(sightings)
    names = {one.name for one in named}
    for one in sightings:
        if one.imaged:
            tone, width = (0.0, THIN) if one.name in names else (QUIET, FINE)
            marks += _outline([at(p) for p in one.outline_px], width, tone, frame)
    inner = Frame(frame.left + 1.5, bottom + 1.5, right - 1.5, frame.top - 1.5)
    taken: list[tuple[float, float]] = []
    for letter, one in zip(LETTERS, named, strict=False):
        centre = at(one.centre_px)
        place = _free_place(centre, taken, inner)
        taken.append(place)
        away = math.dist(place, centre)
        if away > 3.0:  # a leader, up to the letter
            stop = 1.0 - 2.0 / away
            end = (
                centre[0] + stop * (place[0] - centre[0]),
                centre[1] + stop * (place[1] - centre[1]),
            )
            marks.append(Line(*centre, *end, FINE))
        marks.append(Text(place[0], place[1] - 0.35 * BODY, letter, BODY, "middle", bold=True))
    return tuple(marks), k


def _outline(
    corners: Sequence[tuple[float, float]], width: float, tone: float, frame: Frame
) -> list[Mark]:
    """Return a plate's outline; nothing of it where it lies outside the drawing's frame."""
    found: list[Mark] = []
    for a, b in zip(corners, [*corners[1:], corners[0]], strict=True):
        if all(
            frame.left - 2.0 < x < frame.right + 2.0 and frame.bottom - 2.0 < y < frame.top + 2.0
            for x, y in (a, b)
        ):
            found.append(Line(*a, *b, width, tone))
    return found


def _free_place(
    centre: tuple[float, float], taken: Sequence[tuple[float, float]], inner: Frame
) -> tuple[float, float]:
    """Return a place for a letter near a plate, clear of the letters that are there."""
    for radius in RING:
        for turn in np.linspace(0.0, 2.0 * math.pi, TURNS, endpoint=False):
            x = centre[0] + radius * math.sin(turn)
            y = centre[1] + radius * math.cos(turn)
            inside = inner.left < x < inner.right and inner.bottom + 1.0 < y < inner.top - 1.0
            if inside and all(abs(x - a) > 3.4 or abs(y - b) > 3.4 for a, b in taken):
                return x, y
    return centre


def picture_table(
    left: float,
    top: float,
    width: float,
    sightings: Sequence[Sighting],
    ids: Callable[[str], int | None] = lambda wheel: None,
) -> tuple[tuple[Mark, ...], float]:
    """Return the list of lettered targets, and the height of its bottom, mm.

    `ids` gives a wheel's marker, where markers tell wheels apart.
    """
    numbers = (13.0, 12.0, 21.0, 14.0)
    columns = (
        Column("", 6.0),
        Column("target", width - 6.0 - sum(numbers)),
        Column("across", numbers[0], "end"),
        Column("down", numbers[1], "end"),
        Column("pixel u, v", numbers[2], "end"),
        Column("plate", numbers[3], "end"),
    )
    rows = []
    for letter, one in zip(LETTERS, chosen(sightings), strict=False):
        (u, v), (across, down) = one.centre_px, (100.0 * share for share in one.place)
        place = (f"{across:.0f} %", f"{down:.0f} %", f"{u:.0f}, {v:.0f}")
        own = ids(one.wheel.name)
        name = one.name if own is None else f"{one.name}, id {own}"
        rows.append((letter, name, *place, f"{one.size_px:.0f} px"))
    return table(left, top, columns, rows)


def note(left: float, y: float, text: str, size: float = SMALL, tone: float = QUIET) -> Text:
    """Return a line of text, which its author keeps short."""
    assert width_of(text, size) < 200.0
    return Text(left, y, text, size, tone=tone)
