import numpy as np
import polars as pl
import pytest

from bench.draw import style
from bench.draw.cell_grid import CellGrid
from bench.maps.bounds import bound_figure, efficiency_figure
from bench.maps.curves import error_against_tilt


def titles(figure):
    return [axes.get_title(loc="left") for axes in figure.axes if axes.get_title(loc="left")]


def words(figure):
    return {text.get_text() for axes in figure.axes for text in axes.texts}


def test_bound_map_has_a_panel_for_all_pixels_and_one_for_each_detector(survey, map_info):
    with style.applied():
        figure = bound_figure(survey("two pipelines")[0], map_info)
    assert titles(figure) == [
        "all pixels of the target's face",
        "points that apriltag finds",
        "points that aruco-subpix finds",
    ]


def test_bound_map_is_hatched_where_the_bound_does_not_hold(survey, map_info):
    grid = survey("two pipelines")[0]
    (cell,) = grid.cells.filter(
        (pl.col("range_m") == 5.0)
        & (pl.col("turn_deg") == 0.0)
        & (pl.col("pipeline") == "apriltag/ippe-lm")
    ).to_dicts()
    assert cell["bound_holds"] is False
    with style.applied():
        figure = bound_figure(grid, map_info)
    assert style.number(cell["bound_rot_deg"]) not in words(figure)


def test_efficiency_map_prints_bound_over_rms_in_per_cent(survey, map_info):
    grid = survey("two pipelines")[0]
    (cell,) = grid.cells.filter(
        (pl.col("range_m") == 2.0)
        & (pl.col("turn_deg") == 35.0)
        & (pl.col("pipeline") == "apriltag/ippe-lm")
    ).to_dicts()
    # errors and bounds were invented with 0.2 √3 and √2.09 of the same scale; n = 60: ± 4 × 9 %
    assert cell["efficiency_rot"] == pytest.approx(0.2 * np.sqrt(3.0 / 2.09), rel=0.36)
    with style.applied():
        figure = efficiency_figure(grid, map_info)
    assert f"{100 * cell['efficiency_rot']:.0f}" in words(figure)


def test_nothing_is_drawn_without_bounds(survey, map_info):
    grid = survey("one cell")[0]
    empty = [name for name in grid.cells.columns if "bound" in name or "efficiency" in name]
    bare = CellGrid.of(
        grid.cells.with_columns(
            pl.lit(None).cast(grid.cells.schema[name]).alias(name) for name in empty
        )
    )
    assert bound_figure(bare, map_info) is None
    assert efficiency_figure(bare, map_info) is None
    with style.applied():
        assert "bound" not in " ".join(words(error_against_tilt(bare, map_info)))


@pytest.mark.slow
def test_bound_maps_of_any_survey_overlap_nowhere(any_survey, map_info, text_faults):
    with style.applied():
        for figure in (
            bound_figure(any_survey[0], map_info),
            efficiency_figure(any_survey[0], map_info),
        ):
            if figure is not None:
                assert text_faults(figure) == []
