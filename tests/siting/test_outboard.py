"""A layout in which a body hides targets is answered with how far outboard they would show."""

from dataclasses import replace

import pytest

from bench.scene.load import load_bay
from bench.scene.model import wheels_of_tower
from bench.sighting.visibility import visibility
from bench.siting.outboard import STEP, clearing_outboard, farther_out, outboard_words

BAY = load_bay()


def least_visible(bay):
    return min(
        visibility(bay, tower, wheel)
        for tower in bay.towers
        for wheel in wheels_of_tower(bay, tower)
    )


@pytest.fixture(scope="module")
def wide():
    """The shipped van with a body that reaches beyond its rear wheels, as a truck's does."""
    van = BAY.vehicles[1]
    body = replace(van.body, width=2.3)
    return replace(BAY, vehicles=(replace(van, body=body),), stations=BAY.stations[:1])


def test_targets_that_a_body_hides_show_farther_outboard_and_no_nearer(wide):
    assert least_visible(wide) < wide.siting.visible
    by = clearing_outboard(wide)
    assert by is not None
    assert least_visible(farther_out(wide, by)) >= wide.siting.visible
    assert least_visible(farther_out(wide, by - STEP)) < wide.siting.visible
    (words,) = outboard_words(wide)
    assert f"{0.28 + by:.2f} m outboard" in words


def test_a_bay_that_hides_nothing_is_told_nothing():
    assert outboard_words(replace(BAY, stations=BAY.stations[:1])) == []
