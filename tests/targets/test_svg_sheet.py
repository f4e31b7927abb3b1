"""Print sheets as SVG: the numbers in the file are millimetres on paper."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.targets.design import CirclesDesign, MarkerDesign, build_target
from bench.targets.page import Text
from bench.targets.sheet import layout_sheet
from bench.targets.svg import number, page_svg

SVG = "{http://www.w3.org/2000/svg}"
# coordinates are written to a nanometre
WRITTEN_MM = 0.5e-6


def parsed(design, paper="auto"):
    target = build_target(design)
    page = layout_sheet(target, paper).pages[0]
    return target, page, ElementTree.fromstring(page_svg(page, target.name).encode())


def rings(path):
    return [
        np.array([[float(n) for n in point.split()] for point in ring.split("L")])
        for ring in re.findall(r"M([^Z]*)Z", path.get("d"))
    ]


def pattern(root):
    (group,) = [g for g in root.iter(f"{SVG}g") if g.get("clip-path")]
    return list(group)


@pytest.mark.parametrize("paper", ["a4", "letter", "fit"])
def test_one_user_unit_is_one_millimetre(paper):
    _, page, root = parsed(MarkerDesign(size=0.1), paper)
    width, height = number(page.width), number(page.height)
    assert (root.get("width"), root.get("height")) == (f"{width}mm", f"{height}mm")
    assert root.get("viewBox") == f"0 0 {width} {height}"


def test_every_corner_of_the_marker_lies_where_the_drawing_has_it():
    target, page, root = parsed(MarkerDesign(marker_id=9, size=0.137))
    middle = 0.5 * (page.window[0] + page.window[2])
    shapes = target.drawing.shapes[1:]
    for shape, path in zip(shapes, pattern(root), strict=True):
        for ring, written in zip(shape.rings, rings(path), strict=True):
            x, y = (1000 * ring + middle).T
            expected = np.column_stack((x, page.height - y))
            assert_allclose(written, expected, rtol=0, atol=WRITTEN_MM * 1.01)
    assert [p.get("fill") for p in pattern(root)] == ["#000000", "#ffffff"]


def test_circles_are_circles():
    target, page, root = parsed(CirclesDesign())
    middle = 0.5 * (page.window[0] + page.window[2])
    circles = pattern(root)
    assert len(circles) == len(target.points)
    for point, circle in zip(target.points, circles, strict=True):
        x, y = 1000 * point + middle
        found = [float(circle.get(k)) for k in ("cx", "cy", "r")]
        assert_allclose(found, [x, page.height - y, 7.5], rtol=0, atol=WRITTEN_MM * 1.01)


def test_the_pattern_is_clipped_to_the_window():
    _, page, root = parsed(MarkerDesign(size=0.3), "fit")
    (clip,) = root.iter(f"{SVG}clipPath")
    (window,) = rings(clip[0])
    x, y = page.window.T
    assert_allclose(window, np.column_stack((x, page.height - y)), atol=WRITTEN_MM * 1.01)


def test_text_stays_text_and_is_escaped():
    target, page, root = parsed(MarkerDesign())
    shown = [t.text for t in root.iter(f"{SVG}text")]
    assert shown == [m.text for m in page.marks if isinstance(m, Text)]
    odd = replace(page, marks=(Text(10.0, 10.0, "a < b & c"),))
    again = ElementTree.fromstring(page_svg(odd, "x & <y>").encode())
    assert [t.text for t in again.iter(f"{SVG}text")] == ["a < b & c"]
    assert again.find(f"{SVG}title").text == "x & <y>"
    assert root.find(f"{SVG}title").text == target.name


def test_equal_pages_give_equal_text():
    page = layout_sheet(build_target(MarkerDesign())).pages[0]
    assert page_svg(page, "t") == page_svg(page, "t")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (-1e-9, "0"),
        (12.5, "12.5"),
        (200.0, "200"),
        (1 / 3, "0.333333"),
        (-2.5, "-2.5"),
    ],
)
def test_numbers_are_short_and_exact_to_a_nanometre(value, text):
    assert number(value) == text
