"""The benchmark's computations; no test asks for an absolute time."""

import json
import math
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from bench.geometry.camera import project
from bench.imaging.picture import Region
from bench.imaging.region import region_of
from reports.throughput import opengl, path_tracer, report, targets
from reports.throughput.__main__ import PARTS, keep, read
from reports.throughput.corners import corner_errors
from reports.throughput.memory import held
from reports.throughput.peak import peak_bytes
from reports.throughput.report import maps_section
from reports.throughput.report_renderers import opengl_section
from reports.throughput.scale import CASES, extrapolated, trials_for
from reports.throughput.setting import Options, pinhole, plain_poses, plain_target
from reports.throughput.surveys import job_of_grid, work_seconds
from reports.throughput.timing import growth, interleaved, mean_interval, ratio, spread


@pytest.fixture
def options(tmp_path):
    return Options(tmp_path, quick=True, path_tracer=sys.executable, workers=2)


def view(size_px=100.0):
    pose = plain_poses(size_px, 1)[0]
    return pose, region_of(plain_target().drawing, pose, pinhole(), 16)


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


def test_an_exponent_is_that_of_the_power_law():
    amounts = [1.0, 2.0, 4.0, 8.0]
    exact = growth(amounts, [3.0 * a**1.5 for a in amounts])
    assert exact["exponent"] == pytest.approx(1.5, abs=1e-12)
    assert exact["high"] - exact["low"] < 1e-9


def test_an_exponent_s_interval_covers_as_often_as_it_says():
    rng = np.random.default_rng(5)
    amounts = np.array([1.0, 2.0, 4.0, 8.0] * 2)
    held = 0
    for _ in range(400):
        fit = growth(amounts, amounts**0.8 * np.exp(0.1 * rng.standard_normal(8)))
        held += fit["low"] <= 0.8 <= fit["high"]
    # 95 % of 400 with binomial standard deviation 1.1 %: four of them either way
    assert abs(held / 400 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 400)


def test_a_mean_lies_in_its_interval():
    values = np.random.default_rng(1).exponential(size=200)
    found = mean_interval(values.tolist())
    assert found["low"] < found["mean"] < found["high"]
    # percentiles of means: the normal interval to a tenth of its width
    half = 1.96 * values.std() / math.sqrt(200)
    assert found["high"] - found["low"] == pytest.approx(2 * half, rel=0.1)


def test_exact_coverage_has_no_corner_error():
    pose, region = view()
    exact = opengl.planar(pose, region)
    errors = corner_errors(exact, region, plain_target(), pose, pinhole())
    assert np.max(errors) < 1e-9  # sums of some hundred doubles


def test_a_picture_that_is_shifted_shows_in_its_corners():
    pose, region = view()
    exact = opengl.planar(pose, region)
    moved = replace(region, u0=region.u0 + 1)  # told to lie a pixel further right
    errors = corner_errors(exact, moved, plain_target(), pose, pinhole())
    np.testing.assert_allclose(errors, 1.0, atol=1e-9)


def test_tiles_cover_a_region_once():
    region = Region(3, 5, 200, 147)
    seen = np.zeros((147, 200), dtype=int)
    for tile in opengl.tiles_of(region, 64):
        assert max(tile.width, tile.height) * 64 <= opengl.TILE
        x, y = tile.u0 - 3, tile.v0 - 5
        seen[y : y + tile.height, x : x + tile.width] += 1
    assert np.all(seen == 1)


@pytest.mark.slow
@pytest.mark.usefixtures("opengl_or_skip")
def test_supersampled_pictures_come_to_the_exact_one():
    pose, region = view(60.0)
    exact = opengl.planar(pose, region)
    rms = {}
    for factor in (1, 4):
        picture = opengl._supersampled(factor)(pose, region)
        rms[factor] = np.sqrt(np.mean((picture - exact) ** 2))
    # random samples would gain 4, a grid's along a slanting edge up to 8
    assert rms[4] < rms[1] / 3.0


@pytest.fixture
def opengl_or_skip():
    from bench.errors import RenderError
    from bench.render.gl import drawer

    try:
        with drawer(np.zeros((1, 3, 3)), np.zeros((1, 3, 3)), (8, 8)):
            pass
    except RenderError as error:
        pytest.skip(str(error))


def test_the_path_tracer_gets_the_face_cell_by_cell():
    cells = path_tracer.cells_of(10)
    drawn = set(np.unique(np.round(cells, 9)))
    assert drawn == {round(216 / 255, 9), round(12 / 255, 9)}
    assert np.all(cells[0] > 0.5)  # the quiet zone
    assert np.all(cells[1, 1:9] < 0.5)  # the black frame


def test_the_path_tracer_is_told_where_the_target_is():
    pose, region = view()
    scene = path_tracer.scene_of(pose, region, path_tracer.Path("x"))
    corner = np.array(scene["T_camera_target"]) @ (scene["half"], scene["half"], 0.0, 1.0)
    u = scene["f"] * corner[0] / corner[2] + scene["cx"]
    true = project(np.array([[scene["half"], scene["half"], 0.0]]), pose, pinhole())[0, 0]
    assert u == pytest.approx(true - region.u0, abs=1e-9)


def test_a_path_tracer_that_is_not_there_is_said_plainly(options):
    found = path_tracer.measure(options)
    if "missing" not in found:
        pytest.skip("mitsuba is installed here")
    assert "isn't installed" in found["missing"]
    parts = {"path_tracer": {"result": found, "seconds": 1.0}}
    verdict = next(v for v in targets.verdicts(parts) if "path tracer" in v.what)
    assert verdict.word == "not judged"
    assert "isn't installed" in report.text(parts, targets.verdicts(parts), options)


def test_a_target_is_met_or_not_by_its_number():
    def overhead(value):
        parts = {"overhead": {"result": {"share": {"median": value}}}}
        return next(v for v in targets.verdicts(parts) if "overhead" in v.what)

    assert overhead(0.08).word == "met"
    assert overhead(0.12).word == "not met"
    assert overhead(0.12).measured == "12 %"


def test_every_target_is_judged_by_a_part_that_is_measured():
    assert {target.part for target in targets.TARGETS} <= set(PARTS)


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


def test_what_nearly_equal_corners_would_cost_is_said():
    times = {"median": 1.0, "q25": 1.0, "q75": 1.0}
    timed = dict.fromkeys(("planar_ms", "pyrender_ms", "ratio"), times)
    timed |= {"tiles": 1, "tiles_drawn": 1}
    result = {
        "way": "egl",
        "size_px": 100.0,
        "planar_corner_rms_px": 4e-4,
        "pyrender_corner_rms_px": {"8": 1e-3, "16": 5.9e-4, "64": 4.1e-4},
        "samples": 64,
        "reached": True,
        **dict.fromkeys(("region", "frame", "frame_plain"), timed),
    }
    # sixteen draws a pixel each way are (64 / 16)² times fewer
    words = " ".join(opengl_section(result).split())
    assert "1.5 times its RMS takes 16 x 16 draws alone, 16 times fewer" in words
    assert "draws alone" not in opengl_section(result | {"samples": 16})
