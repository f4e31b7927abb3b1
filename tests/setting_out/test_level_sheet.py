"""The sheets for levelling and shimming, and for the wall: numbers, and room for all of them."""

import math
from functools import partial
from itertools import combinations

import pytest

from bench.registration.level_plan import default_plan
from bench.scene.load import load_bay, starter
from bench.scene.surroundings import Column
from bench.setting_out.level_sheet import LEANS, lean_rows, level_sheet
from bench.setting_out.off_plan import shims
from bench.setting_out.sheet_marks import width_of
from bench.setting_out.wheel_sheet import axle_names, wheel_sheet
from bench.targets.files import write_papers
from bench.targets.page import Text


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    path = tmp_path_factory.mktemp("bay") / "bay.toml"
    path.write_text(starter(), encoding="utf-8")
    return load_bay(path)


@pytest.fixture(scope="module")
def poses(bay):
    return default_plan(bay).poses


def box_of(mark):
    """Left, bottom, right and top of a text, mm; capitals are 0.73 of the type's size."""
    wide = width_of(mark.text, mark.size, mark.bold)
    left = mark.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[mark.anchor] * wide
    return left, mark.y, left + wide, mark.y + 0.73 * mark.size


def sheets(bay, poses, paper):
    return level_sheet(bay, poses, paper), wheel_sheet(bay, paper), wheel_sheet(load_bay(), paper)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_nothing_leaves_the_page_and_no_two_texts_touch(bay, poses, paper):
    for sheet in sheets(bay, poses, paper):
        for page in sheet.pages:
            boxes = [(box_of(m), m.text) for m in page.marks if isinstance(m, Text)]
            for (x0, y0, x1, y1), text in boxes:
                assert min(x0, y0) > 5.0, text
                assert x1 < page.width - 5.0, text
                assert y1 < page.height - 5.0, text
            for (a, one), (b, other) in combinations(boxes, 2):
                apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
                assert apart, (one, other)


def test_every_setting_of_the_bar_is_on_the_sheet_in_order(bay, poses):
    first, *_ = level_sheet(bay, poses).pages
    words = [m.text for m in first.marks if isinstance(m, Text)]
    assert words.count("taken") == len(poses) == 8
    turns = [text for text in words if text.endswith("°")]
    assert turns == [f"{math.degrees(p.turn):.2f}°".replace("-", "−") for p in poses]
    assert sum("end for end" in text for text in words) == sum(p.reversed for p in poses)


def test_shims_are_those_that_bring_a_leaning_tower_upright(bay):
    tower, column = bay.towers[0], bay.surroundings.column
    for lean, (words, slope, along, across) in zip(LEANS, lean_rows(column, False), strict=True):
        given = shims(tower, column, math.radians(lean), 0.0)
        assert float(along.split()[0]) == pytest.approx(1e3 * max(given.values()), abs=0.051)
        given = shims(tower, column, 0.0, math.radians(lean))
        assert float(across.split()[0]) == pytest.approx(1e3 * max(given.values()), abs=0.051)
        # 1 mm a metre is 0.0573 deg
        assert float(slope.split()[0]) == pytest.approx(lean / 0.0573, rel=0.03)
        assert words == f"{lean:.1f}°"


def test_shims_in_inches_are_the_same_lengths():
    column = Column(base_along=0.3, base_across=0.5)
    for metric, inches in zip(lean_rows(column, False), lean_rows(column, True), strict=True):
        for a, b in zip(metric[2:], inches[2:], strict=True):
            assert 25.4 * float(b.split()[0]) == pytest.approx(float(a.split()[0]), abs=0.064)


def test_the_wall_has_each_wheel_with_its_id_front_first(bay):
    assert axle_names(bay) == ("front", "rear")
    (page,) = wheel_sheet(bay).pages
    large = [m for m in page.marks if isinstance(m, Text) and m.size >= 7.0]
    names = [m.text for m in large]
    assert names == [
        *("30", "front left", "31", "front right"),
        *("32", "rear left", "33", "rear right"),
    ]
    places = {m.text: (m.x, m.y) for m in large}
    assert places["30"][0] < places["31"][0]  # the vehicle's left is at the left
    assert places["30"][1] > places["32"][1]  # its front is up, toward the towers


def test_a_wall_sheet_without_ids_says_that_targets_look_alike():
    words = " ".join(m.text for m in wheel_sheet(load_bay()).pages[0].marks if isinstance(m, Text))
    assert "can't be told apart" in words


def test_files_are_written_for_both_papers(bay, poses, tmp_path):
    written = write_papers(partial(level_sheet, bay, poses), "level-sheet", tmp_path)
    written += write_papers(partial(wheel_sheet, bay), "wheel-sheet", tmp_path)
    assert [path.name for path in written] == [
        *("level-sheet-a4.pdf", "level-sheet-letter.pdf"),
        *("wheel-sheet-a4.pdf", "wheel-sheet-letter.pdf"),
    ]
    assert all(path.read_bytes().startswith(b"%PDF") for path in written)
