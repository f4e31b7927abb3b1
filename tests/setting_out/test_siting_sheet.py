"""Siting sheets: nothing overlaps or leaves the page, and lengths times scale are the bay's."""

import math
import re
from dataclasses import replace
from functools import cache
from itertools import combinations

import numpy as np
import pypdfium2
import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.textpath import TextPath
from matplotlib.transforms import Bbox

from bench.errors import TargetError
from bench.scene.cables import lane, routes
from bench.scene.load import load_bay
from bench.scene.model import Tower
from bench.scene.surroundings import Box, Cable
from bench.setting_out.deviations import allowances
from bench.setting_out.dimensions import anchors_of, square_check
from bench.setting_out.existing import taped
from bench.setting_out.joint_deviations import joint
from bench.setting_out.sheet import siting_sheet
from bench.setting_out.sheet_bay import bay_plan, bay_view, square_corners
from bench.setting_out.sheet_frame import Plan
from bench.setting_out.sheet_marks import (
    Frame,
    View,
    allowed_inches,
    degrees,
    feet_inches,
    millimetres,
    scale_bar,
    scale_for,
)
from bench.setting_out.sheet_picture import MOST, chosen
from bench.setting_out.sheet_room import key_numbers, reasons, room_plan, room_view
from bench.setting_out.sheet_tower import base_plan, elevation, plan_view
from bench.setting_out.slack import ALL, limits_of
from bench.sighting.prediction import Predictor
from bench.sighting.sighting import sightings
from bench.targets.page import Dot, Fill, Line, Text
from bench.targets.pdf import sheet_pdf

SHIPPED = load_bay()
LOOSE = replace(SHIPPED.tolerance, toe=0.03, camber=0.03)


def varied(**changes):
    """The shipped bay with its towers placed otherwise."""
    towers = []
    for tower in SHIPPED.towers:
        side = math.copysign(1.0, tower.placement.offset)
        given = {k: side * v if k in ("offset", "yaw") else v for k, v in changes.items()}
        towers.append(replace(tower, placement=replace(tower.placement, **given)))
    return replace(SHIPPED, towers=tuple(towers), tolerance=LOOSE)


def named(text):
    towers = tuple(Tower(f"{text} {t.name}", t.placement, t.camera, t.imaging)
                   for t in SHIPPED.towers)  # fmt: skip
    return replace(SHIPPED, name=f"{text} of {text}", towers=towers, tolerance=LOOSE)


def far_off():
    """A bay twice as long, its near axle farther off."""
    stations = tuple(replace(s, standoff=2.74) for s in SHIPPED.stations)
    axles = [[replace(a, behind=2.3 * a.behind) for a in v.axles] for v in SHIPPED.vehicles]
    vehicles = tuple(
        replace(v, axles=tuple(a)) for v, a in zip(SHIPPED.vehicles, axles, strict=True)
    )
    wide = varied(offset=2.3, height=2.1, yaw=0.15, pitch=-0.1)
    return replace(wide, standoff=2.74, stations=stations, vehicles=vehicles)


def lorry():
    """A three-axle lorry's bay: wide, long, targets far outboard, a beam across, a lane."""
    places = (("front", 0.0, 2.05), ("second", 4.6, 1.84), ("rear", 5.95, 1.84))
    first = SHIPPED.axles[0]
    first = replace(first, tyre_radius=0.52, mount=replace(first.mount, outboard=0.65))
    axles = tuple(replace(first, name=n, behind=b, track=t) for n, b, t in places)
    body = replace(SHIPPED.vehicles[0].body, width=2.5)
    vehicle = replace(SHIPPED.vehicles[0], name="three-axle lorry", axles=axles, body=body)
    around = SHIPPED.surroundings
    beam = Box("door beam", (2.6, 0.0), (0.4, 9.8, 0.5), 4.2)
    around = replace(
        around,
        room=replace(around.room, behind=16.0, left=5.0, right=5.0, height=5.5),
        obstacles=(*around.obstacles, beam),
        cables=(Cable("right tower to the desk", ((0.3, -2.6), (1.0, -2.6), (1.0, 4.2))),),
    )
    stations = (replace(SHIPPED.stations[0], standoff=3.6),)
    wide = varied(offset=2.6, yaw=0.16, pitch=-0.1)
    return replace(wide, standoff=3.6, stations=stations, vehicles=(vehicle,), surroundings=around)


BAYS = {
    "lorry": lorry(),
    "open space": replace(
        SHIPPED,
        surroundings=replace(SHIPPED.surroundings, room=None, obstacles=()),
        tolerance=LOOSE,
    ),
    "shipped": replace(SHIPPED, tolerance=LOOSE),
    "wide and tall": far_off(),
    "narrow and low": varied(offset=1.25, height=0.7, pitch=0.05, forward=0.15),
    "long names": named("the quite remarkably long-winded training establishment"),
}


@cache
def shipped_deviations():
    bay = BAYS["shipped"]
    limits = limits_of(bay, Predictor("corner", 0.1))
    single = allowances(limits)
    return single, joint(limits, single, trials=60)


@cache
def plan_of(name):
    """A sheet's content; deviations are the shipped bay's: how they are drawn is tested here."""
    bay = BAYS[name]
    single, together = shipped_deviations()
    names = {a.name: b.name for a, b in zip(SHIPPED.towers, bay.towers, strict=True)}
    each = tuple(
        replace(one, knob=replace(one.knob, where=names.get(one.knob.where, one.knob.where)))
        for one in single.each
    )
    seen = sightings(bay, Predictor("corner", 0.1), visible=False)
    return Plan(bay, seen, replace(single, each=each), together)


@cache
def text_box(text, size, bold):
    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    path = TextPath((0, 0), text, size=size, prop=font)
    # the hull of its curves' points, which takes a tenth of the time that their extremes do
    points = path.vertices[path.codes != Path.CLOSEPOLY]
    return Bbox([points.min(axis=0), points.max(axis=0)])


def extent(mark):
    """Left, bottom, right and top, mm."""
    match mark:
        case Fill():
            points = np.vstack(mark.rings)
            return (*points.min(axis=0), *points.max(axis=0))
        case Dot():
            return (mark.x - mark.radius, mark.y - mark.radius,
                    mark.x + mark.radius, mark.y + mark.radius)  # fmt: skip
        case Line():
            xs, ys = sorted((mark.x0, mark.x1)), sorted((mark.y0, mark.y1))
            return xs[0], ys[0], xs[1], ys[1]
        case Text():
            box = text_box(mark.text, mark.size, mark.bold)
            x = mark.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[mark.anchor] * box.x1
            return x + box.x0, mark.y + box.y0, x + box.x1, mark.y + box.y1


def overlap(a, b):
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", BAYS)
def test_nothing_leaves_the_page_and_no_two_texts_touch(name, paper):
    sheet = siting_sheet(plan_of(name), paper)
    assert len(sheet.pages) == 4
    for number, page in enumerate(sheet.pages, start=1):
        texts = []
        for mark in page.marks:
            x0, y0, x1, y1 = edges = extent(mark)
            # 5 mm is what most printers leave white
            assert min(x0, y0) > 5.0, (number, mark)
            assert x1 < page.width - 5.0, (number, mark)
            assert y1 < page.height - 5.0, (number, mark)
            if isinstance(mark, Text):
                texts.append((edges, mark.text))
        for (a, one), (b, other) in combinations(texts, 2):
            assert not overlap(a, b), (number, one, other)


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", BAYS)
def test_no_line_runs_through_a_text_of_the_drawings(name, paper):
    for page in siting_sheet(plan_of(name), paper).pages:
        texts = [(extent(m), m.text) for m in page.marks if isinstance(m, Text)]
        # rules of tables, which are grey, too
        long = [
            m for m in page.marks if isinstance(m, Line) and m.width >= 0.1
            and (m.x0 == m.x1 or m.y0 == m.y1)
        ]  # fmt: skip
        for line in long:
            for edges, text in texts:
                if len(text) > 1:  # letters of plates lie among the plates
                    assert not overlap(extent(line), edges), (line, text)


def paper_length(view, a, b):
    (x0, y0), (x1, y1) = view.at(*a), view.at(*b)
    return math.hypot(x1 - x0, y1 - y0) * view.scale / 1000.0


@pytest.mark.parametrize("name", BAYS)
def test_lengths_on_the_bays_plan_times_its_scale_are_the_models(name):
    bay = BAYS[name]
    frame = Frame(8.0, 70.0, 98.0, 277.0)
    view, marks = bay_view(bay, frame), bay_plan(bay, frame)
    dots = [(m.x, m.y) for m in marks if isinstance(m, Dot)]
    for tower in bay.towers:
        for anchor in anchors_of(tower.placement, bay.surroundings.column):
            assert min(math.dist(d, view.at(anchor.x, anchor.y)) for d in dots) < 1e-9
    # diagonals: drawn, computed by Pythagoras, and of the model
    check, corners = square_check(bay), square_corners(bay)
    lines = [m for m in marks if isinstance(m, Line)]
    k = view.scale / 1000.0
    lengths = [k * math.hypot(m.x1 - m.x0, m.y1 - m.y0) for m in lines]
    expected = math.sqrt(check.across**2 + check.along**2)
    assert sum(abs(found - expected) < 1e-9 for found in lengths) == 2
    for a, b in (("1", "3"), ("2", "4")):
        assert math.dist(corners[a], corners[b]) == pytest.approx(expected)
        assert paper_length(view, corners[a], corners[b]) == pytest.approx(expected)


@pytest.mark.parametrize("name", BAYS)
def test_lengths_on_a_towers_drawings_times_scale_are_the_models(name):
    plan, frame = plan_of(name), Frame(8.0, 200.0, 137.0, 277.0)
    for tower in plan.bay.towers:
        view = plan_view(tower, plan, frame)
        marks = base_plan(plan, tower, frame)
        anchors = anchors_of(tower.placement, plan.bay.surroundings.column)
        dots = [(m.x, m.y) for m in marks if isinstance(m, Dot)]
        k = view.scale / 1000.0
        drawn = [d for d in dots if any(math.dist(d, view.at(a.x, a.y)) < 1e-9 for a in anchors)]
        assert len(drawn) == 4
        spread = np.ptp(np.array(drawn), axis=0) * k
        column = plan.bay.surroundings.column
        assert spread == pytest.approx((column.anchors_across, column.anchors_along))
        # every dimension across is as long as it says
        said = [int(m.text.split(" mm")[0].split()[-1]) for m in marks
                if isinstance(m, Text) and " mm = " in m.text]  # fmt: skip
        assert sorted(said) == sorted(
            round(1000 * abs(v)) for v in (anchors[0].y, anchors[1].y, tower.placement.offset)
        )
        # and the mast's camera is as high over its floor
        side = Frame(140.0, 200.0, 202.0, 277.0)
        standing = elevation(plan, tower, side)
        scale = next(int(m.text.rsplit(" ", 1)[1]) for m in standing
                     if isinstance(m, Text) and " at 1 : " in m.text)  # fmt: skip
        floor = next(m for m in standing if isinstance(m, Line))
        camera = next(m for m in standing if isinstance(m, Dot))
        assert (camera.y - floor.y0) * scale / 1000.0 == pytest.approx(tower.placement.height)


def test_tables_give_what_the_file_takes():
    bay = BAYS["shipped"]
    words = [m.text for p in siting_sheet(plan_of("shipped")).pages for m in p.marks
             if isinstance(m, Text)]  # fmt: skip
    for key in ("square.one_three", "square.two_four", "standoff", "floor.along", "inner_front",
                "offset", "height", "yaw", "pitch", "roll", "lean_along"):  # fmt: skip
        assert key in words
    diagonal = square_check(bay).diagonal
    assert words.count(f"{millimetres(diagonal)} mm") == 2
    assert words.count(feet_inches(diagonal)) == 2
    assert any("licensed" in text for text in words)
    assert any(re.fullmatch(r"−\d+ / \+\S+ mm", text) for text in words)


def test_a_scale_bar_is_as_long_as_it_says():
    marks = scale_bar(10.0, 5.0, 50, 15.0)
    (words,) = [m.text for m in marks if isinstance(m, Text)]
    xs = np.concatenate([r[:, 0] for m in marks if isinstance(m, Fill) for r in m.rings])
    assert np.ptp(xs) == pytest.approx(20.0)  # 1 m at 1 : 50
    assert words == "1 m at 1 : 50"


def test_scales_are_the_largest_that_fit():
    assert scale_for(1.0, 1.0, (100.0, 100.0)) == 10
    assert scale_for(1.001, 1.0, (100.0, 100.0)) == 15
    assert scale_for(90.0, 1.0, (100.0, 100.0)) == 900
    assert View(20, (10.0, 20.0), ((0.0, 1.0), (-1.0, 0.0))).at(1.0, 0.5) == (-15.0, 70.0)


def test_numbers_read_as_on_a_tape():
    assert (millimetres(-0.0604), millimetres(-0.0002)) == ("−60", "0")
    assert feet_inches(1.6) == "5 ft 3 in"
    assert (degrees(math.radians(-11.5)), degrees(-1e-9)) == ("−11.50°", "0.00°")


def test_allowances_in_inches_never_exceed_the_true_ones():
    assert allowed_inches(0.0254) == "1 in"
    assert allowed_inches(0.0254 - 1e-6) == "15/16 in"
    assert allowed_inches(0.3048 + 0.0015) == "1 ft 0 in"
    assert allowed_inches(0.001) == "0 in"


@pytest.mark.parametrize("name", BAYS)
def test_allowed_lengths_are_given_in_inches_too(name):
    bay, _, *towers = siting_sheet(plan_of(name), "a4").pages
    for page in (bay, *towers):
        words = [m.text for m in page.marks if isinstance(m, Text)]
        lengths = [t for t in words if re.fullmatch(r"−\S+ / \+\S+ mm", t)]
        assert lengths
        inches = [t for t in words if re.fullmatch(r"−(any|[^/]*\S* in) / \+(any|.* in)", t)]
        assert len(inches) == len(lengths)


@pytest.mark.parametrize("name", BAYS)
def test_neither_a_number_nor_the_sheets_own_words_are_shortened(name):
    pages = siting_sheet(plan_of(name), "a4").pages
    words = [[m.text for m in page.marks if isinstance(m, Text)] for page in pages]
    shortened = [text for page in words for text in page if "…" in text]
    assert not [text for text in shortened if re.match(r"[−+±≥]*\d", text)]
    if name != "long names":
        assert not [text for page in words[:2] for text in page if "…" in text]


def test_at_most_six_targets_are_lettered_with_the_nearest_and_farthest_among_them():
    plan = plan_of("shipped")
    seen = [one for one in plan.sightings if one.tower == "left"]
    picked = chosen(seen)
    assert len(picked) == min(MOST, len(seen))
    assert picked[0] is min(seen, key=lambda one: one.range)
    assert picked[-1] is max(seen, key=lambda one: one.range)


def test_the_pdf_has_a_page_for_each_and_is_the_same_again():
    pdf, again = (sheet_pdf(siting_sheet(plan_of("shipped"), "letter")) for _ in range(2))
    assert len(pypdfium2.PdfDocument(pdf)) == 4
    assert pdf == again


def test_an_unknown_paper_is_refused():
    with pytest.raises(TargetError, match="'a9'"):
        siting_sheet(plan_of("shipped"), "a9")


def test_each_anchor_has_a_tape_distance_from_a_wall_or_post():
    bay = BAYS["lorry"]
    for tower in bay.towers:
        tapes = taped(bay, tower)
        assert len(tapes) == 4
        for one in tapes:
            # the nearest of the side wall at 5 m, the wall ahead at 4 m, and the posts
            wall = 5.0 - abs(one.anchor.y), 4.0 - one.anchor.x
            posts = [
                math.dist(post.centre, (one.anchor.x, one.anchor.y)) - post.radius
                for post in bay.surroundings.obstacles[:2]
            ]
            assert one.distance == pytest.approx(min(*wall, *posts))
    assert taped(BAYS["open space"], bay.towers[0]) == ()


def test_a_cable_is_as_long_as_its_route_and_covered_where_vehicles_drive():
    bay = BAYS["lorry"]
    (route,) = routes(bay)
    assert route.length == pytest.approx(0.7 + 6.8)
    assert lane(bay) == pytest.approx(1.25 + 0.3)
    assert route.cover == pytest.approx(3.1)
    (own,) = routes(BAYS["shipped"])
    assert (own.given, own.cover) == (False, pytest.approx(2.0 * lane(BAYS["shipped"])))


def test_the_rooms_plan_is_to_scale_and_its_lane_as_wide_as_said():
    bay, frame = BAYS["lorry"], Frame(8.0, 30.0, 106.0, 277.0)
    view = room_view(bay, frame)
    assert paper_length(view, (4.0, 5.0), (-16.0, 5.0)) == pytest.approx(20.0)
    shade = next(m for m in room_plan(bay, frame) if isinstance(m, Fill))
    width = np.ptp(shade.rings[0][:, 0]) * view.scale / 1000.0
    assert width == pytest.approx(2.0 * lane(bay))


def test_key_numbers_are_large_and_reasons_name_what_breaks():
    plan = plan_of("shipped")
    assert key_numbers(plan.bay)[0] == ("3200 mm", "cameras apart, 10 ft 6 in")
    page = siting_sheet(plan).pages[1]
    sizes = {m.text: m.size for m in page.marks if isinstance(m, Text)}
    assert sizes["3200 mm"] >= 6.0
    spacing = reasons(plan)[0]
    one = plan.allowances.of(ALL, "spacing")
    assert one.breaks_minus in spacing
    assert one.breaks_plus in spacing
