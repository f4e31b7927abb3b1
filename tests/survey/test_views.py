"""Views as ranges in words."""

import pytest

from bench.survey.views import views_words

TILTS = [(0.0, t) for t in (0.0, 20.0, 40.0, 62.0, 75.0)]
TURNS = [(p, t) for p in (0.0, 15.0) for t in (-30.0, 0.0, 30.0)]


@pytest.mark.parametrize(
    ("views", "tested", "words"),
    [
        (TILTS[1:4], TILTS, "tilts 20 to 62 deg"),
        (TILTS[:1], TILTS, "tilt 0 deg"),
        ([TILTS[0], TILTS[4]], TILTS, "tilts 0 and 75 deg"),
        ([TILTS[0], *TILTS[2:4], TILTS[4]], TILTS, "tilts 0 and 40 to 75 deg"),
        (TURNS[:2], TURNS, "turns -30 to 0 deg"),
        ([TURNS[0], *TURNS[3:]], TURNS, "turn -30 deg and turns -30 to 30 at pitch 15 deg"),
    ],
)
def test_neighbours_among_the_views_tested_are_a_range(views, tested, words):
    assert views_words(views, tested) == words
