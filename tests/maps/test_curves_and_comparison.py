import numpy as np
import polars as pl
import pytest
from matplotlib.text import Text

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.maps.comparison import reach, reach_figure
from bench.maps.curves import error_against_range, face_on_words


def _panels(figure):
    return [axes for axes in figure.axes if axes.get_xlabel() or axes.get_title(loc="left")]


def test_an_absurdly_wide_interval_does_not_squeeze_the_curves(survey, map_info):
    grid, _, _, _ = survey("two pipelines")
    wild = pl.when(pl.col("range_m") == 3.0).then(1e7).otherwise(pl.col("p95_rot_deg_hi"))
    cells = grid.cells.with_columns(wild.alias("p95_rot_deg_hi"))
    with style.applied():
        figure = error_against_range(CellGrid.of(cells), map_info)
    largest = float(grid.cells["p95_rot_deg"].max())
    panel = _panels(figure)[0]
    # twice the largest value, rounded up to the next of 1, 2, 5: at most 2.5 times more
    assert panel.get_ylim()[1] <= 2.0 * 2.5 * largest
    tops = [segment[1, 1] for bars in panel.collections for segment in bars.get_segments()]
    assert max(tops) == panel.get_ylim()[1]


def test_curves_show_every_pipeline_with_its_intervals_and_the_tolerance(survey, map_info):
    grid, _, cells, _ = survey("two pipelines")
    with style.applied():
        figure = error_against_range(grid, map_info)
    panels = _panels(figure)
    assert len(panels) == 6
    assert len({axes.get_ylim() for axes in panels}) == 1
    for axes in panels:
        assert axes.get_yscale() == "log"
        assert [x.get_ydata()[0] for x in axes.lines if x.get_gid() == "tolerance"] == [0.1]
        turn = float(axes.get_title(loc="left").split()[1])
        for name, bars in zip(grid.pipelines, axes.collections, strict=True):
            rows = cells.filter((pl.col("pipeline") == name) & (pl.col("turn_deg") == turn))
            ends = np.array([segment[:, 1] for segment in bars.get_segments()])
            np.testing.assert_allclose(ends[:, 0], rows["p95_rot_deg_lo"])
            np.testing.assert_allclose(ends[:, 1], rows["p95_rot_deg_hi"])


def test_with_several_pitches_each_shows_the_same_turns(survey, map_info):
    grid, _, _, _ = survey("pitches")
    with style.applied():
        figure = error_against_range(grid, map_info)
    titles = [axes.get_title(loc="left") for axes in _panels(figure)]
    assert titles == [
        f"turn {turn} deg, pitch {pitch} deg"
        for turn in ("−30", "30")
        for pitch in ("−20", "0", "20")
    ]


def test_marks_are_hollow_where_any_case_failed(survey, map_info):
    grid, _, cells, _ = survey("two pipelines")
    with style.applied():
        figure = error_against_range(grid, map_info)
    hollow = sum(
        len(line.get_xdata())
        for axes in _panels(figure)
        for line in axes.lines
        if line.get_marker() != "None" and line.get_markerfacecolor() == "white"
    )
    assert hollow == int((cells["n_ok"] < cells["n"]).sum())
    assert hollow > 0


def test_the_face_on_note_gives_the_tables_numbers(survey, map_info):
    grid, _, cells, _ = survey("two pipelines")
    words = face_on_words(grid, map_info)
    here = cells.filter(pl.col("range_m") == 2.5).sort("p95_rot_deg")
    best = here.row(0, named=True)
    flat = here.filter((pl.col("pipeline") == best["pipeline"]) & (pl.col("tilt_deg") == 0.0)).row(
        0, named=True
    )
    ratio = flat["p95_rot_deg"] / best["p95_rot_deg"]
    assert ratio > 10.0
    for part in ("2.5 m", style.number(flat["p95_rot_deg"]), f"{style.number(ratio)} times less"):
        assert part in words


def test_without_a_face_on_cell_nothing_is_said_of_it(survey, map_info):
    assert face_on_words(survey("one tilt")[0], map_info) == ""
    assert face_on_words(survey("all lost")[0], map_info) == ""


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        (["holds", "holds", "fails"], (2.0, 2.0)),
        (["holds", "undecided", "holds", "fails"], (1.0, 3.0)),
        (["undecided", "fails", "holds"], (0.0, 1.0)),
        (["fails", "holds"], (0.0, 0.0)),
        (["holds"], (1.0, 1.0)),
    ],
)
def test_reach_ends_at_the_first_cell_that_does_not_hold(verdicts, expected):
    ranges = [float(i + 1) for i in range(len(verdicts))]
    assert reach(pl.DataFrame({"range_m": ranges, "verdict": verdicts})) == expected


def test_bars_reach_as_far_as_the_limits_say(survey, map_info):
    grid, _, _, limits = survey("two pipelines")
    with style.applied():
        figure = reach_figure(grid, map_info)
    solid = sorted(
        p.get_width() for p in figure.axes[0].patches if p.get_facecolor()[:3] != (1.0, 1.0, 1.0)
    )
    longest = limits.ranges["longest_range_m"].drop_nulls().sort().to_list()
    assert len(longest) > 3
    np.testing.assert_allclose(solid, longest)
    words = [t.get_text() for t in figure.axes[0].findobj(Text)]
    none = limits.ranges.filter(pl.col("longest_range_m").is_null()).height
    assert sum(w.startswith("none") for w in words) == none
