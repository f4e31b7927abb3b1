import numpy as np
import pytest

from bench.errors import RunError
from bench.verify.compare import ALPHA, WHOLE, compare, pair
from bench.verify.margins import Margins
from bench.verify.rows import NAMES, CaseRow


def states(old, new, empty=(), **margins):
    comparison = compare(pair(old, new, empty), Margins(**margins))
    return {(j.group, j.measured.test): j.state for j in comparison.judged}, comparison


def worse(found):
    return {place for place, state in found.items() if state == "worse"}


def test_a_recording_is_as_good_as_itself(make_rows):
    rows = make_rows()
    found, comparison = states(rows, rows)
    assert set(found.values()) <= {"same", "open"}
    assert comparison.unjudged == ()


def test_other_noise_of_the_same_kind_raises_no_alarm(make_rows):
    alarms = sum(
        bool(worse(states(make_rows(seed=2 * i), make_rows(seed=2 * i + 1))[0])) for i in range(60)
    )
    # at most ALPHA each: more than two of 60 has a probability of 3e-4
    assert 60 * ALPHA < 0.2
    assert alarms <= 2


def test_a_rise_of_rms_in_one_group_is_found_there(make_rows):
    old = make_rows(groups=("one", "two"))
    new = dict(old)
    rng = np.random.default_rng(1)
    for key in [key for key in old if key.startswith("two")]:
        values = list(old[key].values)
        for name in ("rot_x_deg", "rot_y_deg", "rot_z_deg"):
            values[NAMES.index(name)] += np.sqrt(0.44) * 0.1 * rng.standard_normal()
        new[key] = CaseRow(key, "ok", tuple(values))
    found, comparison = states(old, new)
    assert ("two", "rotation RMS") in worse(found)
    assert not any(group == "one" for group, _ in worse(found))
    effect = next(
        j.measured.effect
        for j in comparison.judged
        if (j.group, j.measured.test) == ("two", "rotation RMS")
    )
    # 300 pairs of three axes: the ratio's standard error is about 2 %
    assert effect == pytest.approx(0.2, abs=0.08)


def test_lost_detections_are_found_in_the_whole_suite(make_rows):
    old = make_rows(n=800)
    lost = tuple(list(old)[::80])  # 20 of 1,600, 1.25 %
    found, _ = states(old, make_rows(n=800, missed=lost))
    assert (WHOLE, "detection rate") in worse(found)


def test_as_many_gained_as_lost_is_no_loss(make_rows):
    keys = list(make_rows(n=800))
    old, new = (
        make_rows(n=800, missed=tuple(keys[::80])),
        make_rows(n=800, missed=tuple(keys[1::80])),
    )
    assert worse(states(old, new)[0]) == set()


def test_a_shift_of_corners_is_found_and_one_within_the_margin_is_slight(make_rows):
    old = make_rows()
    assert (WHOLE, "corner shift right") in worse(states(old, make_rows(du_px=0.1))[0])
    found, _ = states(old, make_rows(du_px=0.01))
    assert found[WHOLE, "corner shift right"] == "slight"
    assert worse(found) == set()
    # the same shift is worse for one who allows less
    assert worse(states(old, make_rows(du_px=0.01), corner_px=0.005)[0])


def test_a_bias_that_goes_away_is_better(make_rows):
    old, new = make_rows(along_mm=2.0), make_rows()
    found, _ = states(old, new)
    assert found["one", "distance bias"] == "better"
    assert worse(found) == set()
    assert ("one", "distance bias") in worse(states(new, old)[0])


def test_claims_grown_too_small_are_dishonest_and_so_are_claims_grown_too_large(make_rows):
    old = make_rows()
    for factor in (4.0, 0.25):
        new = {}
        for key, row in old.items():
            named = zip(NAMES, row.values, strict=True)
            values = tuple(v * factor if name == "nees" else v for name, v in named)
            new[key] = CaseRow(key, "ok", values)
        assert worse(states(old, new)[0]) == {("one", "claims"), ("two", "claims")}


def test_errors_grown_only_at_their_worst_are_found_by_the_quantile(make_rows):
    old = make_rows(n=600)
    new = {}
    for key, row in old.items():
        size = np.sqrt(sum(row[f"rot_{a}_deg"] ** 2 for a in "xyz"))
        values = [
            v * (1.6 if size > 0.24 and name.startswith("rot") else 1.0)
            for name, v in zip(NAMES, row.values, strict=True)
        ]
        new[key] = CaseRow(key, "ok", tuple(values))
    assert ("one", "rotation p95") in worse(states(old, new)[0])


def test_false_positives_in_empty_pictures_are_found(make_rows):
    def empties(false):
        return {
            f"empty|{i:05d}": CaseRow(
                f"empty|{i:05d}",
                "false_positive" if i < false else "clean",
                (0.0, *[np.nan] * (len(NAMES) - 1)),
            )
            for i in range(120)
        }

    rows = make_rows()
    found, _ = states(rows | empties(0), rows | empties(25), empty=["empty"])
    assert worse(found) == {("empty", "empty pictures")}


def test_too_few_pairs_can_not_be_judged(make_rows):
    rows = make_rows(n=40)
    missed = tuple(key for key in rows if key.startswith("one"))[:20]
    _, comparison = states(rows, make_rows(n=40, seed=1, missed=missed))
    assert any(j.measured.test == "rotation RMS" for j in comparison.unjudged)


def test_a_wider_margin_judges_what_a_narrow_one_can_not(make_rows):
    old, new = make_rows(seed=1), make_rows(seed=2)
    assert states(old, new, error=0.02)[1].unjudged
    assert not states(old, new, error=0.3, rate=0.02)[1].unjudged


def test_recordings_without_a_common_case_are_refused(make_rows):
    with pytest.raises(RunError, match="no case in common"):
        pair(make_rows(groups=("one",)), make_rows(groups=("two",)), [])
