"""States: what a permalink may hold, and that it holds all of it."""

import dataclasses
from urllib.parse import parse_qsl

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.explore.controls import CHOICES, CONTROLS
from bench.explore.place import Place
from bench.explore.state import State, StateError, read_state
from bench.scene.load import load_bay

DEFAULT = Place(load_bay(None)).default


def values_of(control):
    if control.whole:
        return st.integers(int(control.low), int(control.high)).map(float)
    inside = st.floats(control.gap or control.low, control.high)
    return st.one_of(st.just(0.0), inside) if control.gap else inside


@settings(deadline=None)
@given(st.fixed_dictionaries({c.name: values_of(c) for c in CONTROLS}))
def test_a_permalink_gives_its_state_back(values):
    state = dataclasses.replace(DEFAULT, **values)
    again = read_state(dict(parse_qsl(state.permalink())), DEFAULT)
    assert again == state
    assert again.permalink() == state.permalink()


def test_controls_and_fields_of_the_state_are_the_same():
    fields = {field.name for field in dataclasses.fields(State)}
    assert fields == {c.name for c in CONTROLS} | set(CHOICES)


def test_what_a_permalink_leaves_out_is_the_bays():
    assert read_state({"range_m": "7.5"}, DEFAULT) == dataclasses.replace(DEFAULT, range_m=7.5)


@pytest.mark.parametrize(
    ("name", "text", "sentence"),
    [
        ("range_m", "abc", "Range is 'abc'; it must be a number from 0.1 to 40 m."),
        ("range_m", "", "Range is empty; it must be a number from 0.1 to 40 m."),
        ("turn_deg", "86", "Turn is 86 deg; it must be a number from -85 to 85 deg."),
        ("turn_deg", "nan", "Turn is nan deg; it must be a number from -85 to 85 deg."),
        ("light", "-inf", "Light is -inf; it must be a number from 0 to 3."),
        ("blur_px", "0.01", "Blur is 0.01 px; it must be a number 0 or from 0.05 to 10 px."),
        ("seed", "1.5", "Seed is 1.5; it must be a whole number from 0 to 2147483647."),
        ("seed", "inf", "Seed is inf; it must be a whole number from 0 to 2147483647."),
        ("seed", "1e999", "Seed is 1e999; it must be a whole number from 0 to 2147483647."),
        ("colour", "red", "There is no control 'colour'."),
    ],
)
def test_a_bad_value_is_refused_with_control_value_and_limit(name, text, sentence):
    with pytest.raises(StateError) as raised:
        read_state({name: text}, DEFAULT)
    assert [p.message for p in raised.value.problems] == [sentence]


def test_every_bad_value_gets_its_own_sentence():
    with pytest.raises(StateError) as raised:
        read_state({"range_m": "x", "turn_deg": "y", "roll_deg": "5"}, DEFAULT)
    assert [p.control for p in raised.value.problems] == ["range_m", "turn_deg"]


def test_a_long_text_is_cut_and_controls_characters_are_not_repeated():
    with pytest.raises(StateError) as raised:
        read_state({"range_m": "\n" + "9x" * 5000}, DEFAULT)
    assert len(str(raised.value)) < 200
    assert "\n" not in str(raised.value)


def test_what_the_bay_itself_says_is_taken_beyond_the_sliders():
    bright = dataclasses.replace(DEFAULT, light=5.0)
    assert read_state({"light": "5"}, bright).light == 5.0
    with pytest.raises(StateError):
        read_state({"light": "5"}, DEFAULT)
