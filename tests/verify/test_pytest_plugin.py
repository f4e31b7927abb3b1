"""The pytest plug-in, used as another team's suite would use it."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path

import pytest

pytest_plugins = ["pytester"]

ADAPTER = (
    Path(__file__).resolve().parents[2] / "assets" / "examples" / "external" / "aruco_adapter.py"
)

# The example in bench/verify/PROTOCOL.md, with fewer pictures.
EXAMPLE = """
from bench.verify.pytest_plugin import assert_pose_pipeline


def test_our_pipeline_holds_a_tenth_of_a_degree():
    assert_pose_pipeline(
        "aruco-subpix/ippe-lm", within_deg=0.3, success=0.9, trials=30, turns_deg=(45,)
    )
"""
FAILING = EXAMPLE.replace("within_deg=0.3", "within_deg=0.001")
EXTERNAL = f"""
def test_an_external_pipeline(pose_pipeline_bench):
    ours = pose_pipeline_bench.external([{sys.executable!r}, {str(ADAPTER)!r}], timeout_s=120.0)
    result = pose_pipeline_bench.check(
        ours, within_deg=0.3, success=0.9, trials=30, turns_deg=(45.0,)
    )
    assert set(result.cases["outcome"]) == {{"ok"}}
"""


@pytest.mark.slow
def test_a_pipeline_within_its_tolerance_passes(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(EXAMPLE)
    pytester.runpytest_subprocess("-W", "error").assert_outcomes(passed=1)


@pytest.mark.slow
def test_a_pipeline_outside_its_tolerance_fails_with_numbers(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(FAILING)
    result = pytester.runpytest_subprocess("-W", "error")
    result.assert_outcomes(failed=1)
    result.stdout.re_match_lines(
        [
            r"E +AssertionError: pose pipeline aruco-subpix/ippe-lm: .*, 30 pictures a view, .*",
            r"E +3 m, turn 45 deg: fails: 0 of 30 within 0\.001 deg \(at most 9\.5.*; 30 off.*",
            r"E +outcomes: 30 ok",
            r"E +the worst usable pose: 0\.\d+ deg off \(r=3\|turn=45\|pitch=0\|pos=axis\|.*",
        ]
    )
    # the reader's own line, not the inside of the bench
    assert "pytest_bench.py" not in result.stdout.str()


@pytest.mark.slow
def test_an_external_pipeline_is_measured_and_ended_with_the_test(
    pytester: pytest.Pytester,
) -> None:
    pytester.makepyfile(EXTERNAL)
    pytester.runpytest_subprocess("-W", "error").assert_outcomes(passed=1)


def test_too_few_pictures_fail_and_say_how_many_would_do() -> None:
    from bench.verify.pytest_plugin import assert_pose_pipeline

    # 0.95^59 is the first below 0.05 (Wilks 1941)
    with pytest.raises(AssertionError, match=r"undecided: 30 of 30 .*about 59 pictures would"):
        assert_pose_pipeline("aruco-subpix/ippe-lm", within_deg=1.0, trials=30, turns_deg=(45,))


def test_a_pipeline_that_breaks_is_counted_with_its_reason(pose_pipeline_bench) -> None:
    broken = pose_pipeline_bench.external([sys.executable, "-S", "-c", "raise SystemExit(4)"])
    with pytest.raises(AssertionError, match=r"40 not_finite[^€]*40 failed, first: .*code 4"):
        pose_pipeline_bench.check(broken, within_deg=0.1, trials=40, turns_deg=(45.0,))


def test_the_same_seed_gives_the_same_numbers() -> None:
    first, second, other = (_measured(seed) for seed in (1, 1, 2))
    assert first.equals(second)
    assert not first.equals(other)


def _measured(seed: int):
    from bench.verify.pytest_bench import measure

    return measure(
        "aruco-subpix/ippe-lm",
        within_deg=1.0,
        trials=5,
        turns_deg=(45.0,),
        target="marker:36h11:3:200 mm",
        seed=seed,
    ).cases


def test_a_run_that_does_not_use_the_plug_in_loads_nothing_heavy() -> None:
    code = (
        "import sys; import bench.verify.pytest_plugin; "
        "print([m for m in ('numpy', 'cv2', 'polars', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_pytest_finds_the_plug_in_by_its_entry_point() -> None:
    (entry,) = entry_points(group="pytest11", name="sightbench")
    assert entry.value == "bench.verify.pytest_plugin"
