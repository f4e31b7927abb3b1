"""What a teaching picture may say of its numbers."""

import dataclasses

import numpy as np
import pytest
from scipy.stats import beta

from bench.scene.load import load_bay
from bench.teaching.captions import KEYS, OUTCOMES, read_captions
from bench.teaching.illustration import Making, illustrate
from bench.teaching.judgement import compared, judge, outcome_of
from bench.teaching.scenes import SCENES, good_of
from bench.teaching.words import light_of, said


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


@pytest.fixture(scope="module")
def shown(bay):
    far = next(one for one in SCENES if one.key == "range.too-far")
    return illustrate(bay, far, Making("apriltag/ippe-lm", 1, 1))


def with_errors(shown, errors_deg, n=None, along_mm=None, **counts):
    """Return a picture whose usable cases have these rotation errors."""
    along = np.full(len(errors_deg), 0.2) if along_mm is None else along_mm
    cases = [
        {
            "key": f"r=1|trial={i}",
            "outcome": "ok",
            "err_rot_deg": float(e),
            "err_along_mm": float(a),
        }
        for i, (e, a) in enumerate(zip(errors_deg, along, strict=True))
    ]
    n = len(cases) if n is None else n
    cases += [{"key": f"r=1|trial={i}", "outcome": "missed"} for i in range(len(cases), n)]
    numbers = {"missed": n - len(errors_deg), "mirrored": 0, "unsure": 0, "wrong_id": 0} | counts
    numbers |= {"n": n, "usable": len(errors_deg)}
    numbers = shown.numbers | numbers
    return dataclasses.replace(shown, cases=tuple(cases), numbers=numbers, reference=None)


def spread(rms_deg, n=60):
    """Return errors with this RMS, none far from it."""
    errors = np.linspace(0.5, 1.5, n)
    return errors * rms_deg / np.sqrt(np.mean(errors**2))


@pytest.mark.parametrize(
    ("errors", "n", "verdict"),
    [
        # 95 % within 0.1 deg are asked at 95 % confidence: 59 without a miss show that
        (spread(0.02), 60, "inside"),
        (spread(0.2), 60, "outside"),
        (np.append(spread(0.02, 58), [0.2, 0.2]), 60, "unsure"),
        (spread(0.02, 5), 5, "unsure"),  # too few
        (spread(0.02, 40), 60, "few"),
        # 56 of 60 has exact one-sided bounds of 0.854 and 0.977, which don't decide
        (spread(0.02, 56), 60, "unsure"),
        (spread(0.2, 56), 60, "outside"),
        ([], 60, "none"),
    ],
)
def test_the_verdict_is_that_of_the_rate_usable_and_within(bay, shown, errors, n, verdict):
    found = judge(with_errors(shown, errors, n), bay)
    assert found.verdict == verdict
    assert found.within == (np.asarray(errors) <= 0.1).sum()
    if verdict in ("inside", "outside"):
        assert found.low_deg < found.rms_deg < found.high_deg


def test_a_rate_that_the_trials_leave_open_says_how_many_would_decide(bay, shown):
    one = with_errors(shown, spread(0.02, 59), 60)
    own = judge(one, bay)
    text = said(one, bay, read_captions("en"))
    assert own.needed > 60
    assert text.headline == f"Too close to call: make {own.needed} pictures"
    # at that rate, 59 of 60, so many pictures decide and one fewer doesn't
    n = own.needed
    assert beta.ppf(0.05, n * 59 / 60, n - n * 59 / 60 + 1) >= 0.95
    n -= 1
    assert beta.ppf(0.05, n * 59 / 60, n - n * 59 / 60 + 1) < 0.95
    # at the level itself no number does
    at_level = said(with_errors(shown, spread(0.02, 57), 60), bay, read_captions("en"))
    assert at_level.headline == "Too close to call: it lies at the limit"


@pytest.mark.parametrize(
    ("own", "other", "outcome"),
    [(0.08, 0.02, "worse"), (0.02, 0.08, "better"), (0.05, 0.051, "same")],
)
def test_a_comparison_speaks_only_where_intervals_lie_apart(bay, shown, own, other, outcome):
    reference = with_errors(shown, np.minimum(spread(other), 0.099))
    mine = with_errors(shown, np.minimum(spread(own), 0.099))
    mine = dataclasses.replace(mine, reference=reference)
    assert compared(mine, bay) == outcome == outcome_of(mine, bay)


def test_a_spoilt_view_that_measures_better_is_not_recommended(bay, shown):
    reference = with_errors(shown, spread(0.05))
    mine = dataclasses.replace(with_errors(shown, spread(0.02)), reference=reference)
    assert "no reason to seek such a view" in said(mine, bay, read_captions("en")).more


def test_a_range_that_suffers_alone_is_named(bay, shown):
    reference = with_errors(shown, spread(0.02))
    far_off = with_errors(shown, spread(0.02), along_mm=np.full(60, 9.0))
    mine = dataclasses.replace(far_off, reference=reference)
    assert outcome_of(mine, bay) == "along"
    assert "range is off by" in said(mine, bay, read_captions("en")).more


def test_a_condition_is_not_blamed_for_what_is_so_without_it(bay, shown):
    nothing = with_errors(shown, [], 60)
    assert outcome_of(dataclasses.replace(nothing, reference=nothing), bay) == "anyway"
    fine = with_errors(shown, spread(0.02))
    taught = dataclasses.replace(nothing, reference=fine)
    assert outcome_of(taught, bay) == "none"
    # what came as it is taught needs no more words
    assert said(taught, bay, read_captions("en")).more == ""


@pytest.mark.parametrize(("alarms", "outcome"), [(60, "harmless"), (1, "quiet")])
def test_the_slip_set_says_whether_the_checks_saw_it(bay, shown, alarms, outcome):
    held, slipped = (one for one in SCENES if one.set == "slip")

    def rehearsed(scene, alarms):
        one = with_errors(dataclasses.replace(shown, scene=scene), spread(0.01), alarms=alarms)
        cases = tuple(case | {"err_toe_deg": case["err_rot_deg"]} for case in one.cases)
        return dataclasses.replace(one, cases=cases)

    mine = dataclasses.replace(rehearsed(slipped, alarms), reference=rehearsed(held, 0))
    assert outcome_of(mine, bay) == outcome


def test_few_registrations_have_the_interval_of_gaussian_errors(bay, shown):
    held = next(one for one in SCENES if one.set == "slip")
    one = with_errors(dataclasses.replace(shown, scene=held), np.full(12, 0.01))
    cases = tuple(case | {"err_toe_deg": case["err_rot_deg"]} for case in one.cases)
    own = judge(dataclasses.replace(one, cases=cases), bay)
    # chi-square of 12 degrees, NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4:
    # 4.404 below 0.025, 23.337 above 0.975
    assert own.low_deg == pytest.approx(0.01 * (12 / 23.337) ** 0.5, rel=1e-4)
    assert own.high_deg == pytest.approx(0.01 * (12 / 4.404) ** 0.5, rel=1e-4)
    assert own.verdict == "inside"


def test_every_spoilt_scene_has_a_lesson_and_every_outcome_its_text():
    for scene in SCENES:
        assert (f"scene.{scene.key}.lesson" in KEYS) == (good_of(scene) is not None)
    assert {f"outcome.{name}" for name in OUTCOMES} <= set(KEYS)


def test_light_is_read_from_the_picture(shown):
    dark, bright, full = light_of(shown)
    grey = shown.picture.grey / shown.picture.full_scale
    assert grey.min() <= dark < bright <= grey.max()
    assert full == 0.0
