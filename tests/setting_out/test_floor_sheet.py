"""The floor sheet of the bar's poses: numbers as the bar's geometry has them, room for all."""

import math
from functools import partial

import pypdfium2
import pytest

from bench.scene.bar import BarPose
from bench.scene.load import load_bay
from bench.setting_out.floor_sheet import ends_of, floor_sheet
from bench.targets.files import write_papers
from bench.targets.page import Text

POSES = (
    BarPose(3.0, 0.1, 0.5),
    BarPose(3.5, -0.2, 0.7, math.radians(20.0), math.radians(5.0), math.radians(-30.0)),
    BarPose(3.0, 0.1, 0.5),
    BarPose(2.8, 0.0, 0.4, turn=math.radians(35.0), reversed=True),
)


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


def test_ends_stand_where_plane_trigonometry_has_them(bay):
    half = 0.5 * bay.bar.length
    a, b = ends_of(bay, POSES[1])
    # 20 deg about the vertical take A back, 5 deg lift it; the turn moves neither end
    level, lift = half * math.cos(math.radians(5.0)), half * math.sin(math.radians(5.0))
    heading = math.radians(20.0)
    assert a.ahead == pytest.approx(3.5 + level * math.sin(heading), abs=1e-9)
    assert a.left == pytest.approx(-0.2 + level * math.cos(heading), abs=1e-9)
    assert a.height == pytest.approx(0.7 + lift, abs=1e-9)
    assert (a.left + b.left, a.ahead + b.ahead) == pytest.approx((-0.4, 7.0), abs=1e-9)


def test_laid_end_for_end_a_is_on_the_right(bay):
    a, b = ends_of(bay, POSES[3])
    assert a.left < 0.0 < b.left


def texts(bay, paper):
    return [
        mark.text
        for page in floor_sheet(bay, POSES, paper).pages
        for mark in page.marks
        if isinstance(mark, Text)
    ]


def test_each_pose_has_its_numbers_its_order_and_a_box(bay):
    said = texts(bay, "a4")
    assert said.count("taken") == len(POSES)
    assert [text for text in said if text.startswith("of ") and text[3:].isdigit()] == ["of 4"] * 4
    assert "1050 mm left" in said  # 0.1 m + half of 1.9 m
    assert "850 mm right" in said
    assert any(text.startswith("back to pose 1") for text in said)
    assert any("laid end for end" in text for text in said)
    assert "35.00°" in said


def test_letter_has_feet_and_inches_first(bay):
    # 1050 mm are 3 ft 5 5/16 in, to a sixteenth
    assert "3 ft 5 5/16 in (1050 mm) left" in texts(bay, "letter")


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nothing_leaves_the_page(bay, tmp_path, paper):
    (path,) = write_papers(partial(floor_sheet, bay, POSES), "floor-sheet", tmp_path, (paper,))
    document = pypdfium2.PdfDocument(path)
    assert len(document) == 2
    for page in document:
        width, height = page.get_size()
        for item in page.get_objects():
            left, bottom, right, top = item.get_bounds()
            assert left >= 0.0 <= bottom
            assert right <= width
            assert top <= height
