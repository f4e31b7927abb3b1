"""The sheet for the wall: which target's id goes on which wheel."""

from __future__ import annotations

from bench.scene.model import Bay
from bench.scene.wheel_ids import cannot_tell, marker_id
from bench.setting_out.sheet_frame import FOOT, HEAD, bay_heading, body_frame, foot, page_of
from bench.setting_out.sheet_marks import (
    CENTRE_LINE,
    FINE,
    HEADING,
    THICK,
    Frame,
    closed,
    dashed,
    fitted,
    width_of,
    wrapped,
)
from bench.targets.annotation import QUIET
from bench.targets.outline import rectangle
from bench.targets.page import Fill, Mark, Page, Sheet, Text, paper_size, paper_title

NUMBER, NAME = 30.0, 7.0  # type, mm: read across a bay
# The pattern itself isn't shown: a camera that sees the wall would find a target there.
MIND = (
    "A target on another wheel gives that wheel's angles to this one. 'sightbench aim --photo' "
    "and 'wheels' name targets that are swapped."
)


def wheel_sheet(bay: Bay, paper: str = "a4") -> Sheet:
    """Return one page: the vehicle from above, and at each wheel its target's id, large.

    Raises
    ------
    TargetError
        No such paper.
    """
    size = paper_size(paper)
    name = paper_title(paper)
    return Sheet(f"Targets by wheel, {bay.name}", name, (_page(bay, size, name),))


def axle_names(bay: Bay) -> tuple[str, ...]:
    """Return the names of all axles, those that stand nearest to the towers first."""
    nearest: dict[str, float] = {}
    for axle in bay.axles:
        nearest[axle.name] = min(axle.behind, nearest.get(axle.name, axle.behind))
    return tuple(sorted(nearest, key=lambda name: nearest[name]))


def _page(bay: Bay, size: tuple[float, float], paper: str) -> Page:
    frame = body_frame(size)
    marks: list[Mark] = [
        *bay_heading(frame, "Which target on which wheel", bay),
        *foot(frame, 1, 1, paper, MIND),
    ]
    low, high = frame.bottom + FOOT + 4.0, frame.top - HEAD - 10.0
    middle = 0.5 * (frame.left + frame.right)
    marks.append(Text(middle, high + 3.0, "the towers stand this way ↑", HEADING, "middle"))
    unsure = cannot_tell(bay)
    for line in reversed(wrapped(unsure, frame.width, HEADING) if unsure else []):
        marks.append(Text(frame.left, low, line, HEADING))
        low += 1.5 * HEADING
    axles = axle_names(bay)
    tall = (high - low) / len(axles)
    body = 0.3 * frame.width
    x0, x1 = middle - 0.5 * body, middle + 0.5 * body
    marks += dashed(middle, low, middle, high, CENTRE_LINE, FINE, QUIET)
    marks += closed(Frame(x0, low, x1, high).corners, THICK, QUIET)
    for i, axle in enumerate(axles):
        y = high - (i + 0.5) * tall
        for side, at, room in (
            ("left", x0, Frame(frame.left, y, x0 - 9.0, y)),
            ("right", x1, Frame(x1 + 9.0, y, frame.right, y)),
        ):
            half = min(13.0, 0.35 * tall)
            marks.append(Fill((rectangle(at - 4.0, y - half, at + 4.0, y + half),), 0.25))
            marks += _wheel(bay, f"{axle} {side}", room, y)
    return page_of(size, tuple(marks))


def _wheel(bay: Bay, wheel: str, room: Frame, y: float) -> list[Mark]:
    """Return a wheel's id and name in the room beside it."""
    own = marker_id(bay, wheel)
    alike = min(bay.target.markers, default=None)  # circles have none
    number = "–" if own is None and alike is None else str(alike if own is None else own)
    size = NUMBER
    while width_of(number, size, True) > room.width:
        size -= 1.0
    x = 0.5 * (room.left + room.right)
    name = NAME
    while name > HEADING and width_of(wheel, name, True) > room.width:
        name -= 0.25
    shown = fitted(wheel, room.width, name, True)
    return [
        Text(x, y, number, size, "middle", bold=True),
        Text(x, y - 1.7 * NAME, shown, name, "middle", bold=True),
    ]
