"""A siting sheet's page for one tower: base, mast, anchor points, aim, expected picture."""

from __future__ import annotations

import math
from functools import partial

from bench.scene.model import Tower
from bench.scene.wheel_ids import marker_id
from bench.setting_out.dimensions import aim_point, anchors_of, base_corners
from bench.setting_out.placements import base_centre
from bench.setting_out.sheet_frame import (
    FOOT,
    GAP,
    HEAD,
    Flow,
    Plan,
    body_frame,
    foot,
    heading,
    page_of,
)
from bench.setting_out.sheet_marks import (
    BODY,
    CENTRE_LINE,
    DASHED,
    FINE,
    ROW,
    SMALL,
    THICK,
    WRITE_ROW,
    Column,
    Frame,
    View,
    across_dimension,
    dashed,
    degrees,
    down_dimension,
    feet_inches,
    fitted,
    millimetres,
    scale_bar,
    scale_for,
)
from bench.setting_out.sheet_picture import note, picture_marks, picture_table
from bench.targets.page import Dot, Line, Mark, Page, Text

PICTURE_WIDTH = 74.0
ELEVATION = 62.0  # mm of the width that the mast's view takes
AHEAD = 0.45  # metres of floor shown before the tower
TIPS = "Towers tip: support it until every anchor is tight. Cautions are on the bay's page."


def tower_page(
    plan: Plan, tower: Tower, size: tuple[float, float], which: tuple[int, int, str]
) -> Page:
    """Return a tower's page.

    Parameters
    ----------
    plan : Plan
        What the sheet shows.
    tower : Tower
        Whose page.
    size : (float, float)
        Of the paper, mm.
    which : (int, int, str)
        Number of the page, of how many, and the paper's name.
    """
    frame = body_frame(size)
    marks: list[Mark] = [*heading(frame, f"{tower.name.capitalize()} tower", plan)]
    marks += foot(frame, *which, TIPS)
    tables, top_of_tables = _tables(plan, tower, frame)
    marks += tables
    drawings = Frame(frame.left, top_of_tables + GAP, frame.right, frame.top - HEAD)
    split = drawings.right - ELEVATION
    marks += base_plan(
        plan, tower, Frame(drawings.left, drawings.bottom, split - 3.0, drawings.top)
    )
    marks += elevation(plan, tower, Frame(split, drawings.bottom, drawings.right, drawings.top))
    return page_of(size, tuple(marks))


def plan_view(tower: Tower, plan: Plan, frame: Frame) -> View:
    """Return the view from above in a frame: x up the page, the vehicle's left to the left."""
    column = plan.bay.surroundings.column
    x, y = base_centre(tower.placement, column)
    outer = abs(y) + 0.5 * column.base_across
    low = min(0.0, x - 0.5 * column.base_along)
    high = max(0.0, x + 0.5 * column.base_along)
    # beside it the dimensions along the bay, beneath it three levels of those across
    room = (frame.width - 34.0, frame.height - 32.0)
    scale = scale_for(outer, high - low, room)
    k = 1000.0 / scale
    middle = frame.bottom + 21.0 + 0.5 * (frame.height - 32.0)
    centre_line = frame.right - 8.0 if y > 0.0 else frame.left + 8.0
    return View(scale, (centre_line, middle - 0.5 * k * (high + low)), ((0.0, 1.0), (-1.0, 0.0)))


def base_plan(plan: Plan, tower: Tower, frame: Frame) -> tuple[Mark, ...]:
    """Return the base plate with its anchor points, from centre line and tower line."""
    view = plan_view(tower, plan, frame)
    column, place = plan.bay.surroundings.column, tower.placement
    x, y = base_centre(place, column)
    half_x, half_y = 0.5 * column.base_along, 0.5 * column.base_across
    marks: list[Mark] = [*view.outline(base_corners(place, column), THICK)]
    shaft = 0.5 * column.shaft
    marks += view.outline(
        [(x + i * shaft, y + j * shaft) for i, j in ((-1, -1), (-1, 1), (1, 1), (1, -1))]
    )
    sign = math.copysign(1.0, y)
    anchors = anchors_of(place, column)
    edge = view.at(x, y + sign * half_y)[0]
    origin = view.at(0.0, 0.0)
    base_low = view.at(x - half_x, y)[1]
    beyond = edge - sign * 3.0
    marks += dashed(*view.at(0.0, -0.1 * sign), beyond, origin[1], CENTRE_LINE)
    marks += dashed(origin[0], base_low - 19.0, origin[0], frame.top - 4.0, CENTRE_LINE)
    camera = view.at(place.forward, place.offset)
    marks += [Dot(*camera, 0.8), Line(camera[0] - 2, camera[1], camera[0] + 2, camera[1], FINE)]
    for anchor in anchors:
        ax, ay = view.at(anchor.x, anchor.y)
        marks += [Line(ax - 1.1, ay, ax + 1.1, ay, FINE), Line(ax, ay - 1.1, ax, ay + 1.1, FINE)]
        marks.append(Dot(ax, ay, 0.45))
    # across: anchors and camera from the centre line, beneath
    inner, outer = anchors[0], anchors[1]
    for i, (what, model_y, start) in enumerate(
        (
            ("inner anchors", inner.y, base_low),
            ("camera", place.offset, camera[1]),
            ("outer anchors", outer.y, base_low),
        )
    ):
        level = base_low - 6.0 - 5.6 * i
        at = view.at(0.0, model_y)[0]
        marks.append(Line(at, start - 1.5, at, level - 1.0, FINE))
        text = f"{what} {millimetres(abs(model_y))} mm = {feet_inches(abs(model_y))}"
        marks += across_dimension(origin[0], at, level, text)
    # along: anchors from the tower line, on the outer side
    turn = "end" if sign > 0.0 else "start"
    for anchor in (anchors[1], anchors[3]):
        at = edge - sign * 4.5
        level = view.at(anchor.x, anchor.y)[1]
        marks.append(Line(edge - sign * 1.0, level, at - sign * 1.0, level, FINE))
        if abs(level - origin[1]) > 0.3:
            marks += down_dimension(at, origin[1], level, (f"{millimetres(anchor.x)} mm",), turn)
    near = origin[0] - sign * 1.5
    words_anchor = "end" if sign > 0.0 else "start"
    marks += [
        Text(near, origin[1] + 1.3, "tower line", SMALL, words_anchor),
        Text(
            near,
            frame.top - 3.0,
            "centre line, the vehicle stands this way ↓",
            SMALL,
            words_anchor,
        ),
    ]
    marks += scale_bar(frame.left, frame.bottom + 0.3, view.scale, 15.0)
    return tuple(marks)


def elevation(plan: Plan, tower: Tower, frame: Frame) -> tuple[Mark, ...]:
    """Return the mast from the side: the vehicle stands to the left."""
    column, place = plan.bay.surroundings.column, tower.placement
    x, _ = base_centre(place, column)
    left = min(place.forward, x - 0.5 * column.base_along) - AHEAD
    right = x + 0.5 * column.base_along
    tall = place.height + 0.12
    scale = scale_for(right - left, tall, (frame.width - 20.0, frame.height - 15.0))
    k = 1000.0 / scale
    view = View(scale, (frame.right - 4.0 - k * right, frame.bottom + 7.5))
    floor = view.line((left, 0.0), (right + 0.02, 0.0), THICK)
    shaft = 0.5 * column.shaft
    marks: list[Mark] = [floor]
    marks += view.outline(
        [(x - shaft, 0.0), (x + shaft, 0.0), (x + shaft, tall), (x - shaft, tall)]
    )
    base = 0.5 * column.base_along
    marks.append(view.line((x - base, 0.02), (x + base, 0.02), THICK))
    camera = view.at(place.forward, place.height)
    marks += [
        view.line((place.forward, place.height), (x - shaft, place.height)),
        Dot(*camera, 0.9),
    ]
    # the optical axis seen from the side, and level
    slope = math.tan(place.pitch) / math.cos(place.yaw)
    reach = place.forward - left
    end = max(place.height - slope_limit(place.height, slope, reach), 0.0)
    run = reach if slope >= 0.0 else min(reach, (place.height - end) / -slope)
    tip = view.at(place.forward - run, place.height + slope * run)
    level = view.at(left, place.height)
    marks += dashed(*camera, *tip, DASHED)
    marks += dashed(*camera, *level, CENTRE_LINE, FINE)
    x_tower = view.at(0.0, 0.0)[0]
    marks += dashed(x_tower, view.at(0.0, 0.0)[1] - 3.0, x_tower, frame.top - 5.0, CENTRE_LINE)
    marks.append(Text(x_tower, frame.top - 4.0, "tower line", SMALL, "middle"))
    words = (f"{millimetres(place.height)} mm", feet_inches(place.height))
    marks += down_dimension(level[0], view.at(0.0, 0.0)[1], camera[1], words, "end")
    words_at = (level[0] - 1.6, camera[1] - 0.35 * SMALL)
    marks.append(Text(*words_at, f"pitch {degrees(place.pitch)}", SMALL, "end"))
    marks += scale_bar(frame.left, frame.bottom + 0.3, view.scale, 15.0)
    return tuple(marks)


def slope_limit(height: float, slope: float, reach: float) -> float:
    """Return how far the optical axis falls over a reach, at most to the floor."""
    return min(height, max(0.0, -slope * reach))


def _tables(plan: Plan, tower: Tower, frame: Frame) -> tuple[tuple[Mark, ...], float]:
    """Return the picture and the tables, from the foot upwards, and their top, mm."""
    camera = tower.camera
    seen = [one for one in plan.sightings if one.tower == tower.name]
    height = min(PICTURE_WIDTH * camera.height / camera.width, 64.0)
    bottom = frame.bottom + FOOT + 1.0
    top = bottom + height + 8.0
    flow = Flow(frame.left, top, frame.width)
    flow.title("What its camera should see")
    picture, k = picture_marks(
        Frame(frame.left, bottom, frame.left + PICTURE_WIDTH, bottom + height + 3.2), camera, seen
    )
    left = frame.left + k * camera.width + 4.0
    ids = partial(marker_id, plan.bay)
    listed, end = picture_table(left, flow.y + 0.6, frame.right - left, seen, ids)
    notes = _picture_notes(plan, tower, left, end - 4.0)
    camera_top = top + 1.6 + _camera_height()
    cameras = _camera_table(plan, tower, frame, camera_top)
    anchor_top = camera_top + 1.6 + _anchor_height()
    anchors = _anchor_table(plan, tower, frame, anchor_top)
    return (*flow.marks, *picture, *listed, *notes, *cameras, *anchors), anchor_top


def _picture_notes(plan: Plan, tower: Tower, left: float, y: float) -> tuple[Mark, ...]:
    camera, point = tower.camera, aim_point(tower, plan.bay.standoff)
    marks: list[Mark] = []
    if point is not None:
        side = "left" if point.offset > 0.0 else "right"
        aim = (
            f"Aim mark, over the near axle's line, {side} of the centre line:",
            f"{millimetres(abs(point.offset))} mm = {feet_inches(abs(point.offset))} from it, "
            f"{millimetres(point.height)} mm = {feet_inches(point.height)} above the floor.",
            f"It belongs on the cross, pixel {camera.cx:.0f}, {camera.cy:.0f}: the optical axis.",
        )
        for line in aim:
            marks.append(note(left, y, line, BODY, 0.0))
            y -= 3.6
        y -= 0.8
    words = (
        f"The frame is {camera.width} × {camera.height} px; across and down are of it, to where "
        "the",
        "plate's diagonals cross; plate: its width face-on. Lettered are the outermost targets.",
    )
    return (*marks, *(note(left, y - 3.1 * i, line) for i, line in enumerate(words)))


def _anchor_height() -> float:
    return 4.2 + ROW + 4 * WRITE_ROW


def _camera_height() -> float:
    return 4.2 + ROW + 8 * WRITE_ROW


def _anchor_table(plan: Plan, tower: Tower, frame: Frame, top: float) -> tuple[Mark, ...]:
    flow = Flow(frame.left, top, frame.width)
    flow.title("Anchor points")
    rest = frame.width - 24.0 - 2 * 45.0 - 22.0
    columns = (
        Column("anchor", 24.0),
        Column("across", 21.0, "end"),
        Column("", 24.0),
        Column("behind", 21.0, "end"),
        Column("", 24.0),
        Column("diagonal", 22.0, "end"),
        Column("measured across", 0.5 * rest, blank=True),
        Column("measured behind", 0.5 * rest, blank=True),
    )
    rows = [
        (
            a.name.replace("_", " "),
            f"{millimetres(a.y)} mm",
            feet_inches(a.y),
            f"{millimetres(a.x)} mm",
            feet_inches(a.x),
            f"{millimetres(a.taped)} mm\n{feet_inches(a.taped)}",
            a.name,
            a.name,
        )
        for a in anchors_of(tower.placement, plan.bay.surroundings.column)
    ]
    flow.table(columns, rows)
    words = (
        "across: from the centre line, + to the vehicle's left; behind the tower line, − before "
        "it; diagonal: from where they cross. Keys of [tower.anchors]"
    )
    return (note(frame.left + 27.0, top - 3.0, words), *flow.marks)


def _camera_table(plan: Plan, tower: Tower, frame: Frame, top: float) -> tuple[Mark, ...]:
    flow = Flow(frame.left, top, frame.width)
    flow.title("Camera")
    columns = (
        Column("of the camera's centre, and its aim", frame.width - 132.0),
        Column("plan", 20.0, "end"),
        Column("", 24.0),
        Column("allowed alone", 34.0),
        Column("together", 20.0),
        Column("measured on site", 34.0, blank=True),
    )
    place = tower.placement
    lengths = (
        ("offset, + to the vehicle's left", "offset", place.offset),
        ("forward, + behind the tower line", "forward", place.forward),
        ("height above the floor", "height", place.height),
    )
    angles = (
        ("yaw from the centre line, + to its left", "yaw", place.yaw),
        ("pitch, + up", "pitch", place.pitch),
        ("roll, + clockwise from behind", "roll", place.roll),
        ("lean along, + away from the vehicle", "lean_along", 0.0),
        ("lean across, + to the vehicle's left", "lean_across", 0.0),
    )
    rows = [
        (words, f"{millimetres(v)} mm", feet_inches(v), *plan.allowed(tower.name, key), key)
        for words, key, v in lengths
    ]
    rows += [
        (words, degrees(v), "", *plan.allowed(tower.name, key), key) for words, key, v in angles
    ]
    flow.table(columns, rows)
    words = (
        "Alone: all else as planned; together: all off at once; ≥: breaks nothing so far. Keys of "
        f'[[tower]] name = "{fitted(tower.name, 24.0, SMALL)}"'
    )
    return (note(frame.left + 16.0, top - 3.0, words), *flow.marks)
