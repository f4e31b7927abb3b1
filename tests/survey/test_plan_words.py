"""What a plan says it can show."""

import pytest

from bench.survey.plan_words import power_words
from bench.survey.verdicts import Request

REQUEST = Request()


def test_a_plan_says_how_many_misses_it_allows_and_what_it_shows_with_which_chance():
    # P(no miss in 59) is 0.98^59 = 0.30 and 0.99^59 = 0.55; along 12 ranges the twelfth powers
    assert power_words(59, REQUEST, along=12) == (
        "59 pictures a cell show 95 % at 95 % confidence with no miss; a true 98 % with a chance "
        "of 30 %, along all 12 ranges under 0.1 %; a true 99 % with a chance of 55 %, along all "
        "12 ranges under 0.1 %"
    )
    assert "with 2 misses at most" in power_words(124, REQUEST)
    assert "along" not in power_words(124, REQUEST)


def test_a_plan_too_small_to_show_anything_says_what_it_takes():
    assert power_words(58, REQUEST) == (
        "58 pictures a cell can't show 95 % at 95 % confidence: it takes 59, none of them a miss"
    )


@pytest.mark.parametrize(("level", "said"), [(0.98, ["99 %"]), (0.995, [])])
def test_only_rates_above_what_is_asked_can_be_shown(level, said):
    words = power_words(2000, Request(success=level))
    assert [t for t in ("98 %", "99 %") if f"a true {t}" in words] == said
