import itertools

import numpy as np
import pytest
from matplotlib.lines import Line2D

from bench.draw import page_layout as layout
from bench.draw import style, ticks


def test_wrapped_lines_fit_and_lose_no_word():
    text = "A cell holds where its one-sided bounds lie inside the requirement. " * 3
    lines = layout.wrap(text, 3.0, style.SMALL)
    assert len(lines) > 3
    assert all(layout.text_width(line, style.SMALL) <= 3.0 for line in lines)
    assert " ".join(lines).split() == text.split()


def test_a_word_wider_than_the_line_is_cut_not_lost():
    word = "aruco-contour-refined-experimental/iterative-with-a-long-name"
    lines = layout.wrap(word, 1.0, style.SMALL)
    assert "".join(lines) == word
    assert all(layout.text_width(line, style.SMALL) <= 1.0 for line in lines)


def test_a_shortened_name_keeps_both_ends_and_fits():
    name = "aruco-contour-refined-experimental/iterative"
    short = layout.shorten(name, 1.5, style.NORMAL)
    assert layout.text_width(short, style.NORMAL) <= 1.5
    assert short.startswith("aruco")
    assert short.endswith("tive")
    assert "…" in short


def test_a_long_title_breaks_after_the_slash():
    lines = layout.title_lines("aruco-contour/iterative-lm", 1.5)
    assert lines == ["aruco-contour/", "iterative-lm"]


def test_a_dollar_sign_in_a_name_stays_a_dollar_sign():
    with style.applied():
        page = layout.Page("bay $a$ and $b", "", "", 1.0)
        page.figure.canvas.draw()  # unbalanced math would raise here


def test_tick_labels_never_touch_and_keep_both_ends():
    positions = [1.0, 1.1, 1.2, 2.0, 2.05, 3.0]
    labels = ["1", "1.1", "1.2", "2", "2.05", "3"]
    kept = ticks.spread_ticks(positions, labels, scale=1.0)
    assert kept[0] == 0
    assert kept[-1] == 5
    widths = [layout.text_width(label, style.SMALL) for label in labels]
    for a, b in itertools.pairwise(kept):
        assert positions[b] - positions[a] >= 0.5 * (widths[a] + widths[b])


def test_a_key_label_too_long_for_the_page_is_shortened(text_faults):
    with style.applied():
        handles = [Line2D([], [], label="range of an axle " * 20), Line2D([], [], label="b")]
        page = layout.Page("t", "", "", 1.0, handles)
        assert text_faults(page.figure) == []
        assert "…" in page.figure.legends[0].get_texts()[0].get_text()


def test_what_belongs_together_stays_on_one_line():
    text = f"word {'word ' * 30}sightbench{layout.NO_BREAK}0.1.0"
    for width in np.linspace(1.2, 3.0, 7):
        lines = layout.wrap(text, float(width), style.SMALL)
        assert f"sightbench{layout.NO_BREAK}0.1.0" in lines[-1]


def test_panels_lie_within_the_body_and_apart():
    grid = layout.PanelGrid(count=5, columns=3, width=9.0, panel_height=2.0)
    boxes = [grid.box(i) for i in range(5)]
    assert grid.rows == 2
    assert max(b.left + b.width for b in boxes) == pytest.approx(9.0)
    assert max(b.top + b.height for b in boxes) < grid.height
    assert boxes[1].left > boxes[0].left + boxes[0].width
    assert [grid.is_lowest(i) for i in range(5)] == [False, False, True, True, True]


@pytest.mark.parametrize("entries", [0, 1, 4, 12])
def test_a_page_keeps_title_key_and_caption_apart_and_inside(entries, text_faults):
    with style.applied():
        handles = [
            Line2D([], [], label=f"a rather long pipeline name {i}") for i in range(entries)
        ]
        page = layout.Page("Title " * 20, "subtitle", "caption words " * 40, 1.0, handles)
        axes = page.axes(layout.Box(0.5, 0.0, 5.0, 0.7))
        axes.set_xticks(np.linspace(0, 1, 3))
        assert text_faults(page.figure) == []
