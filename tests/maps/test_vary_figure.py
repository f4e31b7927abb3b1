"""The figure of error against one number of the bay file."""

import polars as pl
import pytest

from bench.draw import style
from bench.maps.vary import vary_figure
from bench.survey.vary import parse_variation, varied_table


@pytest.mark.parametrize(
    "text",
    ["budget.flatness=0, 0.1, 0.101, 0.3 mm", "survey.roll=0 deg, 15 deg", "light.level=0.1, 0.9"],
)
def test_no_text_overlaps_or_leaves_the_page(
    text, make_tables, map_info, text_faults, drawn_texts
):
    variation = parse_variation(text)
    _, cells = make_tables(ranges=(3.0, 5.0), turns=(35.0,), trials=6)
    table = varied_table(variation, [cells] * len(variation.values))
    with style.applied():
        figure = vary_figure(table, variation.key, variation.unit, map_info)
    assert text_faults(figure) == []
    words = [words for words, _ in drawn_texts(figure)]
    assert f"tolerance {map_info.request.within_deg:g} deg" in words
    assert any(variation.key in w for w in words)


def test_a_value_without_a_usable_case_is_a_gap(make_tables, map_info, text_faults):
    variation = parse_variation("light.level=0.1, 0.9")
    cells = [
        make_tables(ranges=(3.0,), turns=(35.0,), trials=4, lost=lambda *_, lost=lost: lost)[1]
        for lost in (True, False)
    ]
    table = varied_table(variation, cells)
    assert isinstance(table, pl.DataFrame)
    with style.applied():
        assert text_faults(vary_figure(table, "light.level", "", map_info)) == []
