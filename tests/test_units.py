"""Quantities: what people write is what is meant, and nothing else is accepted."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import units
from bench.errors import ConfigError


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        # international foot and inch: 0.3048 m and 25.4 mm exactly (NIST SP 811, appendix B.6)
        ("13 ft", 3.9624),
        ("6 ft 3 in", 1.905),
        ("6' 3\"", 1.905),
        ("6ft 3in", 1.905),
        ("-6 ft 3 in", -1.905),
        ("8 ft 11 7/8 in", 2.740025),
        ("3/4 in", 0.01905),
        ("2.5 in", 0.0635),
        ("2.74 m", 2.74),
        ("2.74m", 2.74),
        ("  2.74   m ", 2.74),
        ("+1e3 mm", 1.0),
        (".5 cm", 0.005),
        ("5.86 um", 5.86e-6),
        ("5.86 µm", 5.86e-6),  # micro sign
        ("5.86 μm", 5.86e-6),  # Greek letter
        ("550 nm", 550e-9),
        ("0", 0.0),
        (0, 0.0),
        ("0 ft", 0.0),
    ],
)
def test_lengths_are_read_to_the_last_bit(text, metres):
    assert units.length(text) == metres


@pytest.mark.parametrize(
    ("text", "radians"),
    [
        ("180 deg", math.pi),
        ("50°", math.radians(50)),
        ("3 mrad", 0.003),
        ("-0.05 deg", -math.radians(0.05)),
        ("60 arcmin", math.radians(1)),
        ("3600 arcsec", math.radians(1)),
        ("1.5 rad", 1.5),
    ],
)
def test_angles_are_read_in_radians(text, radians):
    # one rounding each in the factor and in the product
    assert units.angle(text) == pytest.approx(radians, rel=4e-16, abs=0)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("5 ms", "time", 0.005),
        ("0.6 px", "pixels", 0.6),
        ("10.5 ke-", "electrons", 10_500.0),
        ("3 e-/s", "current", 3.0),
        ("4 DN", "grey value", 4.0),
        ("0.02 DN/e-", "gain", 0.02),
        ("8 %/m", "gradient", 0.08),
        ("-0.1 1/m", "gradient", -0.1),
    ],
)
def test_other_kinds_are_read_in_si(text, kind, value):
    assert units.quantity(text, kind) == value


def test_a_decimal_comma_is_told():
    with pytest.raises(ConfigError, match="a point, not a comma, before decimals"):
        units.length("1,482 m")


@pytest.mark.parametrize("text", ["5", 5, 5.0, "1e-3", "-2"])
def test_bare_numbers_are_refused(text):
    with pytest.raises(ConfigError, match=r"lacks a unit: write a number and a unit \(m, cm"):
        units.length(text)


@pytest.mark.parametrize(
    "text",
    [
        "3 px",  # a CSS pixel is a length to pint
        "5 %",
        "2*3 m",
        "2 m/s",
        "2 M",
        "2 meters per",
        "3 deg",
        "2,5 m",
        "1_000 m",
        "６ m",  # a full-width digit
        "",
        "m",
        "ft",
        "6 ft -3 in",
        "6.5 ft 3 in",
        "3/0 in",
        "nan m",
        "inf m",
        "infinity ft",
        "0x10 m",
        True,
        None,
        ["1 m"],
        {"m": 1},
    ],
)
def test_what_is_no_length_is_refused_with_what_is_accepted(text):
    with pytest.raises(ConfigError, match=r"such as 2\.5 m, 200 mm or 6 ft 3 in") as caught:
        units.length(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["1e999 m", "9" * 400 + " ft", "-1e999 in", "2e308 ft 1 in"])
def test_numbers_too_large_are_refused(text):
    with pytest.raises(ConfigError):
        units.length(text)


def test_inches_after_feet_stay_below_twelve():
    with pytest.raises(ConfigError, match="inches after feet must be below 12"):
        units.length("6 ft 14 in")


def test_long_input_is_shortened_in_the_message():
    with pytest.raises(ConfigError) as caught:
        units.length("x" * 10_000)
    assert len(str(caught.value)) < 300


def test_in_a_list_the_last_unit_serves_those_before_it():
    assert units.lengths("2.5, 4,6 m") == (2.5, 4.0, 6.0)
    assert units.lengths("6 ft 3 in, 2 m") == (1.905, 2.0)
    assert units.lengths("500 mm, 2, 3 m") == (0.5, 2.0, 3.0)
    assert units.angles("0, 180 deg") == (0.0, math.pi)


@pytest.mark.parametrize("text", ["1, 2", "1, , 2 m", "", "1 m,", "1; 2 m"])
def test_a_list_without_a_unit_or_an_entry_is_refused(text):
    with pytest.raises(ConfigError):
        units.lengths(text)


@pytest.mark.parametrize(
    ("metres", "style", "text"),
    [
        (3.9624, "m", "3.962 m"),
        (2.74, "m", "2.74 m"),
        (100.0, "m", "100 m"),
        (0.0, "m", "0 m"),
        (-0.0, "m", "0 m"),
        (0.0254, "m", "0.0254 m"),
        (3.9624, "mm", "3962.4 mm"),
        (0.2, "mm", "200 mm"),
        (3.45e-6, "um", "3.45 um"),
        (3.9624, "ft-in", "13 ft 0 in"),
        (1.905, "ft-in", "6 ft 3 in"),
        (2.740025, "ft-in", "8 ft 11 7/8 in"),
        (-1.905, "ft-in", "-6 ft 3 in"),
        (0.30479, "ft-in", "1 ft 0 in"),  # carries from 11 15.99/16
        (-1e-6, "ft-in", "0 ft 0 in"),
    ],
)
def test_lengths_are_printed_for_people(metres, style, text):
    assert units.format_length(metres, style) == text


@pytest.mark.parametrize(
    ("degrees", "text"),
    [(0.05, "0.05 deg"), (62.0, "62 deg"), (-11.5, "-11.5 deg"), (0.0, "0 deg"),
     (1.23456, "1.235 deg"), (0.000123456, "0.000123 deg"), (100.0, "100 deg")],
)  # fmt: skip
def test_angles_are_printed_in_degrees(degrees, text):
    assert units.format_angle(math.radians(degrees)) == text


@given(st.floats(min_value=-1e4, max_value=1e4))
def test_feet_and_inches_round_trip_to_half_a_sixteenth(metres):
    back = units.length(units.format_length(metres, "ft-in"))
    assert abs(back - metres) <= 0.0254 / 32 * (1 + 1e-9)


@given(st.floats(min_value=-1e4, max_value=1e4))
def test_metres_and_millimetres_round_trip_to_half_the_last_digit(metres):
    assert abs(units.length(units.format_length(metres, "m")) - metres) <= 0.5001e-3
    assert abs(units.length(units.format_length(metres, "mm")) - metres) <= 0.5001e-4


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_and_its_si_unit_is_that_number(number):
    assert units.length(f"{number!r} m") == number
    assert units.angle(f"{number!r} rad") == number


@given(st.text(max_size=30))
def test_any_text_is_a_length_or_one_line_of_refusal(text):
    try:
        metres = units.length(text)
    except ConfigError as refusal:
        lines = str(refusal).splitlines()
    else:
        lines = [f"{metres}"]
        assert math.isfinite(metres)
    assert len(lines) == 1


@pytest.mark.parametrize(
    ("unit", "values", "said"),
    [
        ("deg", (0.000645,), (["2.3"], "arcsec")),
        ("deg", (0.00432, 0.0041, 0.0049), (["0.0043", "0.0041", "0.0049"], "deg")),
        # the unit suits the first; none of an integer's digits is lost
        ("mm", (0.0023, 0.0018, 0.0123), (["2.3", "1.8", "12"], "um")),
        ("px", (512.4, None, math.inf), (["512", "none", "none"], "px")),
        ("mm", (-0.0996, 0.0, 9.96), (["−0.1", "0", "10"], "mm")),
    ],
)
def test_numbers_for_people_have_two_digits_and_a_unit_without_zeros(unit, values, said):
    assert units.readable(unit, *values) == said


@pytest.mark.parametrize(
    ("value", "u", "said"),
    [
        # JCGM 100:2008, 7.2.6: 10.057 62 ohm with 27 milliohm is rounded to 10.058 ohm
        (10.05762, 0.027, ("10.058", "0.027")),
        (-1482.53, 12.4, ("−1483", "12")),
        (0.6864, None, ("0.6864", "none")),
        (0.6864, 0.0, ("0.6864", "0")),
    ],
)
def test_a_value_ends_where_its_uncertainty_does(value, u, said):
    assert units.measured(value, u) == said
