"""What a plan's time is called."""

import pytest

from bench.survey.pace import duration_words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.02, "1 s"),
        (39.6, "40 s"),
        (59.4, "59 s"),
        (60.0, "1.0 min"),
        (131.0, "2.2 min"),
        (3600.0, "1.0 h"),
        (90_000.0, "25.0 h"),
    ],
)
def test_times_are_said_in_a_unit_that_fits(seconds, words):
    assert duration_words(seconds) == words
