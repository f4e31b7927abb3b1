"""One number of the bay file in place of a grid."""

import polars as pl
import pytest

from bench.errors import ConfigError
from bench.scene.load import load_bay
from bench.survey.vary import Variation, bays_of, parse_variation, varied_table, varied_words


def test_a_unit_at_the_end_serves_all_values():
    found = parse_variation("budget.flatness=0, 0.1, 0.3 mm")
    assert found == Variation("budget.flatness", ("0 mm", "0.1 mm", "0.3 mm"))
    assert (found.numbers, found.unit) == ((0.0, 0.1, 0.3), "mm")


def test_values_with_units_of_their_own_are_in_their_order():
    found = parse_variation("budget.flatness=100 um, 0.3 mm")
    assert found.numbers == (0.0, 1.0)
    assert found.unit == ""


def test_bare_numbers_stay_numbers():
    assert parse_variation("survey.trials=10, 20").values == (10, 20)
    assert parse_variation("light.level=0.1, .5").values == (0.1, 0.5)


@pytest.mark.parametrize(
    "text",
    ["flatness", "budget.flatness", "budget.flatness=1 mm", "=1, 2", "a.b=1, 1", "a.b=1,,2"],
)
def test_what_isn_t_a_variation_is_refused_in_one_line(text):
    with pytest.raises(ConfigError) as caught:
        parse_variation(text)
    assert "\n" not in str(caught.value)
    assert "--vary" in str(caught.value)


def test_each_bay_has_its_value_and_nothing_else_is_other():
    bays = bays_of(parse_variation("imperfections.paper=0, 0.02"), None)
    assert [bay.imperfections.paper for bay in bays] == [0.0, 0.02]
    assert bays[0].imperfections.ink_spread == load_bay().imperfections.ink_spread
    assert bays[0].budget == load_bay().budget


def test_keys_of_numbered_tables_are_reached():
    bays = bays_of(parse_variation("tower.1.yaw=-10, -12 deg"), None)
    assert bays[0].towers[1].placement.yaw != bays[1].towers[1].placement.yaw
    with pytest.raises(ConfigError, match=r"tower\.7\.yaw: there are 2"):
        bays_of(parse_variation("tower.7.yaw=1, 2 deg"), None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("budget.flatnes=1, 2 mm", "unknown key budget.flatnes"),
        ("budget.flatness=1, 2 deg", "budget.flatness"),
        ("name.x=1, 2", "name.x"),
    ],
)
def test_a_key_or_value_that_the_file_can_t_have_is_refused(text, words):
    with pytest.raises(ConfigError) as caught:
        bays_of(parse_variation(text), None)
    assert words in str(caught.value)


def test_words_name_both_ends_and_the_worst():
    row = {"pipeline": "d/s", "range_m": 4.0, "turn_deg": 35.0, "pitch_deg": 0.0}
    cells = [
        pl.DataFrame([row | {"rms_rot_deg": rms, "usable_rate": 1.0}]) for rms in (0.01, 0.2, 0.1)
    ]
    variation = parse_variation("budget.flatness=0, 0.1, 0.3 mm")
    table = varied_table(variation, cells)
    assert table["number"].to_list() == [0.0, 0.1, 0.3]
    (line,) = varied_words(table, 0.05)
    assert "0.01 deg at 0 mm" in line
    assert "the worst, 0.2 at 0.1 mm, is beyond the tolerance's 0.05 deg" in line
