"""The benchmark's computations; no test asks for an absolute time."""

import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reports.throughput import report
from reports.throughput.__main__ import PARTS, keep, read
from reports.throughput.memory import held
from reports.throughput.peak import peak_bytes
from reports.throughput.report import maps_section, verdicts
from reports.throughput.scale import CASES, extrapolated, trials_for
from reports.throughput.setting import Options
from reports.throughput.surveys import job_of_grid, work_seconds
from reports.throughput.timing import interleaved, mean_interval, ratio, spread


@pytest.fixture
def options(tmp_path):
    return Options(tmp_path, quick=True, workers=2)


def test_compared_functions_take_turns():
    order = []
    functions = {"a": lambda: order.append("a"), "b": lambda: order.append("b")}
    times = interleaved(functions, 3)
    assert order == ["a", "b"] * 4  # the first round warms up
    assert [len(t) for t in times.values()] == [3, 3]


def test_a_ratio_is_taken_round_by_round():
    # a machine that slows tenfold in one round changes no ratio
    assert ratio([2.0, 20.0, 2.0], [1.0, 10.0, 1.0])["median"] == 2.0
    assert spread([1.0, 2.0, 3.0, 4.0, 5.0]) == {"n": 5, "median": 3.0, "q25": 2.0, "q75": 4.0}


def test_a_mean_lies_in_its_interval():
    values = np.random.default_rng(1).exponential(size=200)
    found = mean_interval(values.tolist())
    assert found["low"] < found["mean"] < found["high"]
    # percentiles of means: the normal interval to a tenth of its width
    half = 1.96 * values.std() / math.sqrt(200)
    assert found["high"] - found["low"] == pytest.approx(2 * half, rel=0.1)


def test_a_target_is_met_or_not_by_its_number():
    def overhead(value):
        parts = {"overhead": {"result": {"share": {"median": value}}}}
        return next(row for row in verdicts(parts) if "overhead" in row[0])[1:]

    assert overhead(0.08) == ("≤ 10 %", "8 %", "met")
    assert overhead(0.12) == ("≤ 10 %", "12 %", "not met")
    assert {row[3] for row in verdicts({})} == {"not judged"}


def test_the_report_kept_says_what_its_parts_say():
    kept = Path("reports/throughput")
    parts = {name: json.loads((kept / f"parts/{name}.json").read_text()) for name in PARTS}
    text = report.text(parts, Options(kept, quick=False, workers=2))
    # all but the last section, which tells of the machine that it is written on
    written = (kept / "README.md").read_text(encoding="utf-8")
    assert text.partition("## Make it again")[0] == written.partition("## Make it again")[0]


def test_a_detector_s_time_counts_once_for_all_its_pipelines():
    import polars as pl

    timings = pl.DataFrame(
        {
            "key": ["a", "a", "b"],
            "pipeline": ["d/x", "d/y", "d/x"],
            "render_ms": [1.0, 1.0, 2.0],
            "bound_ms": [10.0, 10.0, 20.0],
            "detect_ms": [100.0, 100.0, 200.0],
            "solve_ms": [1000.0, 3000.0, 2000.0],
        }
    )
    assert work_seconds(timings) == pytest.approx(6.333)


def test_the_large_map_has_enough_cases():
    pictures = job_of_grid(trials_for(CASES)).plan.n_pictures
    assert CASES <= pictures < CASES + job_of_grid(1).plan.n_pictures


def test_a_part_is_taken_over_only_by_the_same_kind_of_run(options):
    keep(options, "split", {"result": {"a": 1}})
    kept = read(options, "split")
    assert kept is not None
    assert kept["result"] == {"a": 1}
    assert read(replace(options, quick=False), "split") is None
    path = options.out / "parts" / "split.json"
    text = json.loads(path.read_text())
    text["stamp"]["versions"]["numpy"] = "0"
    path.write_text(json.dumps(text))
    assert read(options, "split") is None


def test_a_map_s_time_is_a_start_and_a_pace():
    rows = [{"pictures": n, "whole_s": 5.0 + 0.01 * n} for n in (100, 1000, 2000)]
    assert extrapolated(rows, 100_000) == pytest.approx(1005.0)


def test_what_was_extrapolated_is_called_so():
    row = {"survey_s": 5.0, "whole_s": 6.0}
    result = {
        "workers": 2,
        "asked": CASES,
        "ran_whole": False,
        "seconds_for_asked": 300.0,
        "maps": [{"pictures": n, **row} for n in (250, 2000)],
    }
    assert "100,000 cases: 5.0 min (extrapolated by" in maps_section(result)
    assert "extrapolated" not in maps_section(result | {"ran_whole": True})


def test_made_up_rows_become_tables_within_some_memory():
    found = held(2000)
    assert found["rows"] == pytest.approx(2000, abs=96)
    assert 0 < found["before_mb"] <= found["joining_mb"] <= found["peak_mb"]


def test_a_parent_s_memory_is_not_taken_for_a_child_s():
    # 200 MB that this process holds at its peak, of which the child's few say nothing
    ballast = np.ones(25_000_000)
    code = "from reports.throughput.peak import peak_bytes; print(peak_bytes())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(done.stdout) < ballast.nbytes < peak_bytes()
