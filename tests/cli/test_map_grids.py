import pytest
from numpy.testing import assert_allclose

from bench.cli.grids import parse_grid, parse_position
from bench.errors import ConfigError
from bench.units import angles, lengths


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("2.5 m, 4 m", (2.5, 4.0)),
        ("2.5, 4, 6 m", (2.5, 4.0, 6.0)),
        ("2 m:20 m:6 m", (2.0, 8.0, 14.0, 20.0)),
        ("2:3:0.25 m", (2.0, 2.25, 2.5, 2.75, 3.0)),
        ("2 m:3 m:300 mm", (2.0, 2.3, 2.6, 2.9)),
        ("10 ft:12 ft:1 ft", (3.048, 3.3528, 3.6576)),
        ("2 m:2 m:1 m", (2.0,)),
    ],
)
def test_a_grid_of_lengths_is_a_list_or_start_stop_step(text, metres):
    assert_allclose(parse_grid(text, lengths), metres, rtol=1e-14)


def test_a_stop_met_but_for_rounding_is_included():
    # 0.1 three times is 0.30000000000000004, beyond a stop of 0.3
    assert len(parse_grid("0:0.3:0.1 rad", angles)) == 4


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1 m:2 m", "start:stop:step"),
        ("1 m:2 m:3 m:4 m", "start:stop:step"),
        ("1 m:2 m:0 m", "positive step"),
        ("1 m:2 m:-1 m", "positive step"),
        ("3 m:2 m:1 m", "stop not below start"),
        ("1 m:2 m:1 deg", "not a unit of length"),
        ("0 m:1 m:0.5 mm", "2001 entries, at most 1000"),
        ("", "can't be read"),
    ],
)
def test_a_grid_that_makes_no_sense_is_refused(text, words):
    with pytest.raises(ConfigError, match=words):
        parse_grid(text, lengths)


def test_a_position_is_the_axis_or_two_fractions():
    assert parse_position(" axis ") is None
    assert parse_position("0.25, 0.5") == (0.25, 0.5)
    for text in ("0.25", "a,b", "0.1,0.2,0.3", ""):
        with pytest.raises(ConfigError, match="write 'axis', 'wheels', or fractions"):
            parse_position(text)
