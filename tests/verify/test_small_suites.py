"""Suites too small to decide, recordings of faults alone, and what one group explains."""

import math
import re
from dataclasses import replace

import pytest

from bench.cli.main import main
from bench.verify.baseline import Baseline
from bench.verify.compare import compare, pair
from bench.verify.effects import CONFIDENCE, Measured
from bench.verify.margins import Margins
from bench.verify.paired import loss_bounds
from bench.verify.rows import NAMES, CaseRow
from bench.verify.summary import failure_words, group_table
from bench.verify.verdict import ComparisonVerdict, effect_words, report_of


def report(old, new):
    sides = (Baseline("s", "0", "d/s", 0, {}, rows) for rows in (old, new))
    return report_of(compare(pair(old, new, [])), *sides)


def test_a_run_that_changed_nothing_passes_however_small_the_suite(make_rows):
    rows = make_rows(n=4)
    found = report(rows, dict(rows))
    assert found.verdict is ComparisonVerdict.GOOD
    assert "no answer differs" in found.headline


def test_a_suite_too_small_says_what_it_sees_and_how_many_cases_it_needs(make_rows):
    found = report(make_rows(n=4), make_rows(n=4, seed=1))
    assert found.verdict is ComparisonVerdict.UNJUDGED
    least, need = re.search(
        r"8 cases can't tell a loss below ([\d.]+) points; about (\d+) cases would tell",
        found.headline,
    ).groups()
    # the bound itself says so: none lost of 8, and of as many as are said to be needed
    assert float(least) == pytest.approx(100.0 * loss_bounds(0, 0, 8, CONFIDENCE)[1], rel=0.05)
    margin = Margins().rate
    assert loss_bounds(0, 0, int(need), CONFIDENCE)[1] <= margin
    assert loss_bounds(0, 0, int(need) - 1, CONFIDENCE)[1] > margin


def test_cases_that_an_error_needs_shrink_its_bound_to_the_margin():
    rms = Measured("RMS", 0.1, 0.102, "deg", 0.02, 0.3, 0.15, True, 0.4, 0.6, 80)
    # a standard error falls with the square root of the cases, and so does ln of the ratio's bound
    apart = math.log(1.3 / 1.02) / math.sqrt(rms.cases_needed / 80)
    # up to the rounding to whole cases, 1 in 300 of them, half of that in the root
    assert 1.02 * math.exp(apart) - 1.0 == pytest.approx(0.15, rel=0.01)
    assert replace(rms, effect=0.2).cases_needed is None


def test_no_loss_is_said_to_exceed_all_there_is(make_rows):
    rows = make_rows(n=3, groups=("one",))
    lost = make_rows(n=3, groups=("one",), missed=tuple(rows))
    found = report(rows, lost)
    words = [effect_words(j.measured) for j in found.comparison.judged if j.measured.unit == ""]
    assert "all lost" in words
    assert not [w for w in words if re.search(r"1\d\d\.(?!00)", w)]


def test_the_headline_names_the_group_that_explains_the_whole(make_rows):
    rows = make_rows()
    missed = tuple(f"two|{i:05d}" for i in range(60))
    found = report(rows, make_rows(missed=missed))
    assert found.verdict is ComparisonVerdict.WORSE
    assert "tests: two: detection rate 100.0 % before, 80.0 % now" in found.headline
    assert "in this group alone" in found.headline
    most = report(rows, make_rows(missed=("one|00000", *missed))).headline
    assert "two: detection rate" in most
    assert "98 % of what was lost in all" in most
    spread = (*missed[::2], *(f"one|{i:05d}" for i in range(30)))
    assert "tests: whole suite" in report(rows, make_rows(missed=spread)).headline


def test_with_a_baseline_of_faults_alone_nothing_is_as_good(make_rows):
    rows = make_rows()
    faults = make_rows(missed=tuple(rows))
    for new in (faults, rows):
        found = report(faults, new)
        assert found.verdict is ComparisonVerdict.UNJUDGED
        assert "no usable answer" in found.headline


def test_recording_nothing_but_faults_is_no_success(tiny_file, tmp_path, capsys):
    text = tiny_file.read_text().replace('["1 m", "1.5 m"]', '["30 m", "31 m"]')
    tiny_file.write_text(text)
    out = tmp_path / "faults.baseline"
    arguments = ["verify", "record", "--suite", str(tiny_file), "--out", str(out), "--quiet"]
    assert main(arguments) == 1
    assert "No picture gave a usable answer" in capsys.readouterr().out
    assert out.is_file()


def test_a_pipeline_that_fails_at_every_picture_detects_nothing(make_rows):
    rows = make_rows()
    nothing = (0.0, *[math.nan] * (len(NAMES) - 1))
    found = report(rows, {key: CaseRow(key, "no_answer", nothing) for key in rows})
    assert "whole suite: detection rate 100.0 % before, 0.0 % now (all lost)" in found.headline
    whole = next(row for row in group_table(found).rows if row[0] == "whole suite")
    assert whole[2:5] == ("100.0 % → 0.0 %", "100.0 % → 0.0 %", "")


def test_why_there_was_no_answer_is_told_with_the_cause_first():
    failures = [
        ("a|00000", "died: code 3"),
        *((f"b|{i:05d}", "given up: 3 lost") for i in range(5)),
    ]
    assert failure_words(failures) == (
        "died: code 3 (1 case, first a 00000); given up: 3 lost (5 cases, first b 00000)"
    )
    odd = [(f"a|{i:05d}", f"reason {i}") for i in range(5)]
    assert failure_words(odd).endswith("; 2 cases for other reasons")
