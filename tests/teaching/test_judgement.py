"""What a teaching picture may say of its numbers."""

import dataclasses

import numpy as np
import pytest

from bench.scene.load import load_bay
from bench.teaching.captions import ANY, KEYS, OUTCOMES, outcome_key, read_captions
from bench.teaching.illustration import illustrate
from bench.teaching.judgement import compared, judge, outcome_of
from bench.teaching.scenes import REFERENCES, SCENES, SETS, reference_of
from bench.teaching.words import light_of, said


@pytest.fixture(scope="module")
def bay():
    return load_bay(None)


@pytest.fixture(scope="module")
def shown(bay):
    soft = next(one for one in SCENES if one.key == "blur.soft")
    return illustrate(bay, soft, "apriltag/ippe-lm", 1, 1)


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
    numbers = {"missed": n - len(errors_deg), "mirrored": 0, "unsure": 0} | counts
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


def test_a_rate_that_the_trials_leave_open_is_what_the_verdict_speaks_of(bay, shown):
    text = said(with_errors(shown, spread(0.02, 56), 60), bay, read_captions("en"))
    assert text.verdict == "undecided: 56 of 60 usable and within 0.1 deg, 95 % asked"
    assert text.outcome == "unsure"
    assert text.verdict_class == "unsure"


@pytest.mark.parametrize(
    ("own", "other", "outcome"),
    [(0.2, 0.02, "worse"), (0.02, 0.2, "better"), (0.05, 0.051, "same")],
)
def test_a_comparison_speaks_only_where_intervals_lie_apart(bay, shown, own, other, outcome):
    reference = with_errors(shown, spread(other))
    mine = dataclasses.replace(with_errors(shown, spread(own)), reference=reference)
    assert compared(mine, bay) == outcome == outcome_of(mine, bay)


def test_a_spoilt_view_that_measures_better_is_not_recommended(bay, shown):
    reference = with_errors(shown, spread(0.2))
    mine = dataclasses.replace(with_errors(shown, spread(0.02)), reference=reference)
    assert shown.scene.key == "blur.soft"
    assert said(mine, bay, read_captions("en")).why.endswith("no reason to seek such a view.")


def test_a_range_that_suffers_alone_is_named(bay, shown):
    reference = with_errors(shown, spread(0.02))
    far_off = with_errors(shown, spread(0.02), along_mm=np.full(60, 9.0))
    mine = dataclasses.replace(far_off, reference=reference)
    assert outcome_of(mine, bay) == "along"
    assert "range is worse" in said(mine, bay, read_captions("en")).why


def test_a_condition_is_not_blamed_for_what_is_so_without_it(bay, shown):
    nothing = with_errors(shown, [], 60)
    assert outcome_of(dataclasses.replace(nothing, reference=nothing), bay) == "anyway"
    fine = with_errors(shown, spread(0.02))
    assert outcome_of(dataclasses.replace(nothing, reference=fine), bay) == "none"
    # a reference has no condition to blame
    captions = read_captions("en")
    assert said(nothing, bay, captions).why.endswith(captions.texts["outcome.any.none"])


def test_the_mirror_set_says_whether_any_picture_was_in_doubt(bay, shown):
    mirror = next(one for one in SCENES if one.key == "mirror.far-turned")
    as_mirror = dataclasses.replace(shown, scene=mirror)
    assert outcome_of(with_errors(as_mirror, spread(0.02)), bay) == "clear"
    assert outcome_of(with_errors(as_mirror, spread(0.02), unsure=1), bay) == "doubt"
    assert outcome_of(with_errors(as_mirror, [], 60, mirrored=60), bay) == "doubt"
    assert outcome_of(with_errors(as_mirror, [], 60), bay) == "none"


@pytest.mark.parametrize(
    ("slip_deg", "alarms", "outcome"),
    [(0.0, 0, "inside"), (0.0, 60, "false"), (2.0, 60, "alarm"), (2.0, 1, "quiet")],
)
def test_the_slip_set_says_whether_the_alarm_was_right(bay, shown, slip_deg, alarms, outcome):
    slip = next(one for one in SCENES if one.set == "slip" and one.slip_deg == slip_deg)
    one = with_errors(dataclasses.replace(shown, scene=slip), spread(0.01), alarms=alarms)
    cases = tuple(case | {"err_toe_deg": case["err_rot_deg"]} for case in one.cases)
    assert outcome_of(dataclasses.replace(one, cases=cases), bay) == outcome


def test_every_set_has_its_reference_and_every_outcome_its_text():
    assert set(REFERENCES) == set(SETS)
    for scene in SCENES:
        reference = reference_of(scene)
        assert (reference is None) == (REFERENCES[scene.set] == scene.name)
    for name in (*SETS, "view"):
        for outcome in OUTCOMES[ANY]:
            assert outcome_key(name, outcome) in KEYS
    assert outcome_key("mirror", "doubt") == "outcome.mirror.doubt"
    assert outcome_key("view", "inside") == "outcome.any.inside"


def test_light_is_read_from_the_picture(shown):
    dark, bright, full = light_of(shown)
    grey = shown.picture.grey / shown.picture.full_scale
    assert grey.min() <= dark < bright <= grey.max()
    assert full == 0.0
