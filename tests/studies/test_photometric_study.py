import math

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_y
from bench.geometry.viewing import View, pose_of_view, tilt_of_pose, view_of_pose
from reports.photometric.cases import COMPONENTS, error_columns, run_case
from reports.photometric.figures import write as draw
from reports.photometric.report import text
from reports.photometric.setting import CAMERA, Cell, draw_view, generator, grid, marker
from reports.photometric.study import Study
from reports.photometric.tables import cell_table, efficiency_columns, holm

TARGET = marker()
NUMBERS = ("outcome", "start", "distance", "err_tilt_deg", "squared", "chi_square", "blur_px")


def test_a_case_depends_on_its_key_alone():
    cell, other = Cell(33.0, 30.0, 0.5), Cell(20.0, 15.0, 0.8)
    first = run_case(3, cell, 1, TARGET)
    run_case(3, other, 0, TARGET)
    again = run_case(3, cell, 1, TARGET)
    assert [first[name] for name in NUMBERS] == [again[name] for name in NUMBERS]
    assert run_case(4, cell, 1, TARGET)["squared"] != first["squared"]


def test_cells_have_the_sizes_and_tilts_that_they_say():
    assert len(grid()) == 40
    cell = Cell(25.0, 50.0, 0.5)
    rng = generator(1, "any")
    sides = set()
    for _ in range(20):
        pose = pose_of_view(draw_view(cell, rng), CAMERA)
        corners = TARGET.markers[0]
        side = np.linalg.norm(corners[0] - corners[1]) * CAMERA.fx
        assert side / np.linalg.norm(pose.translation) == pytest.approx(25.0)
        # turn and pitch vary by half a degree each
        assert math.degrees(tilt_of_pose(pose)) == pytest.approx(50.0, abs=0.72)
        sides.add(view_of_pose(pose).turn > 0.0)
    assert sides == {True, False}
    mid_grey = cell.imaging.sensor.full_well * 0.45
    noise = math.sqrt(mid_grey + cell.imaging.sensor.dark_noise**2)
    assert noise / cell.imaging.sensor.full_well == pytest.approx(0.01, abs=5e-4)


@pytest.mark.parametrize("turn", [0.6, -0.6])
@pytest.mark.parametrize("roll", [0.0, 2.0])
def test_errors_are_split_along_the_lean(turn, roll):
    true = pose_of_view(View(10.0, turn, 0.0, roll), CAMERA)
    more = pose_of_view(View(10.0, turn * 1.01, 0.0, roll), CAMERA)
    split = error_columns(true, more, np.eye(6))
    assert split["err_tilt_deg"] == pytest.approx(math.degrees(0.006))
    assert abs(split["err_pitch_deg"]) + abs(split["err_spin_deg"]) < 1e-9
    # a millimetre along the target's own x, as the camera sees it: toward the half that leans
    # away, which for a positive turn is the target's right
    along_x = true.rotation @ rotation_y(-turn)[:, 0]
    moved = Pose(true.rotation, true.translation + 1e-3 * math.copysign(1.0, turn) * along_x)
    split = error_columns(true, moved, np.eye(6))
    assert split["err_across_mm"] == pytest.approx(1.0)
    assert abs(split["err_axis_mm"]) + abs(split["err_along_mm"]) < 1e-9
    far_half = true.rotation @ (math.copysign(1.0, turn) * np.array([0.1, 0.0, 0.0]))
    assert far_half[2] > 0.0


def made_up(n, seed=0, scale=1.0, bias=0.0, cells=None):
    """Cases whose errors follow their bounds, times a scale, plus a bias in deviations."""
    rng = np.random.default_rng(seed)
    rows = []
    for cell in cells or grid():
        for trial in range(n):
            z = scale * rng.standard_normal(6) + bias
            row = {
                "cell": cell.name,
                "size_px": cell.size_px,
                "trial": trial,
                "start": "apriltag",
                "outcome": "ok",
                "solve_ms": 5.0,
                "distance": 30.0,
                "mirrored": False,
                "squared": float(z @ z),
                "chi_square": float(rng.chisquare(400)),
                "degrees": 400.0,
                "blur_px": cell.blur_px,
            }
            row |= {f"bound_var_{c}": 0.04 for c in COMPONENTS}
            row |= {f"err_{c}": float(0.2 * e) for c, e in zip(COMPONENTS, z, strict=True)}
            rows.append(row)
    return pl.DataFrame(rows)


def test_cells_of_an_efficient_honest_unbiased_solver_pass():
    table = cell_table(made_up(1000, cells=grid()[:6]))
    for component in COMPONENTS:
        low, high = (table[f"efficiency_{component}_{end}"] for end in ("lo", "hi"))
        # 36 intervals of 95 %: six misses or more have a probability of 1 %
        inside = (low < 1.0) & (high > 1.0)
        assert inside.sum() >= 3
        assert (table[f"bias_{component}_p"] < 0.05).all()
    assert (table["nees_p_holm"] > 0.05).all()
    assert table["chi_square_rejected"].mean() == pytest.approx(0.01, abs=0.006)


def test_inefficient_biased_or_overconfident_solvers_are_told():
    one = grid()[:1]
    assert cell_table(made_up(1000, scale=1.25, cells=one))["efficiency_tilt_deg"][0] < 0.85
    assert cell_table(made_up(1000, scale=1.1, cells=one))["nees_p_holm"][0] < 1e-3
    biased = cell_table(made_up(1000, bias=0.3, cells=one))
    assert biased["bias_tilt_deg_p"][0] > 0.5
    assert biased["bias_tilt_deg_sd"][0] == pytest.approx(0.3, abs=4.0 / math.sqrt(1000))


def test_efficiency_interval_covers_as_it_says():
    # ratio of a known variance to the mean of n squares: χ² gives the interval in closed form
    cases = made_up(400, seed=5, cells=grid()[:1])
    found = efficiency_columns(cases, "tilt_deg")
    n = len(cases)
    squares = float((cases["err_tilt_deg"] ** 2).sum()) / 0.04
    low, high = (math.sqrt(q / squares) for q in stats.chi2.ppf([0.025, 0.975], n))
    # bootstrap of the same data: its ends scatter by a tenth of the interval
    assert found["efficiency_tilt_deg_lo"] == pytest.approx(low, abs=0.15 * (high - low))
    assert found["efficiency_tilt_deg_hi"] == pytest.approx(high, abs=0.15 * (high - low))


def test_holm_steps_down():
    # by hand: the smallest of four times 4, the next times 3, and so on, never falling
    p = np.array([0.04, 0.01, 0.03, 0.005])
    assert_allclose(holm(p), [0.06, 0.03, 0.06, 0.02])


@pytest.mark.slow
def test_report_and_figures_say_what_the_tables_say(tmp_path):
    study = Study(
        cells=cell_table(made_up(40)),
        mirrored=made_up_mirrored(),
        n=40,
        few=8,
        seed=0,
        started="2026-01-01T00:00:00+00:00",
    )
    words = text(study)
    lowest = min(study.cells[f"efficiency_{c}"].min() for c in COMPONENTS)
    assert lowest < 0.9
    assert f"| {lowest:.2f} |" in words
    assert "nan" not in words
    draw(study, tmp_path)
    names = {path.name for path in tmp_path.iterdir()}
    assert names == {"efficiency.png", "calibration.png", "ambiguity_map.png"}


def made_up_mirrored():
    return pl.DataFrame(
        [
            {
                "pipeline": name,
                "range_m": range_m,
                "turn_deg": turn,
                "pitch_deg": 0.0,
                "n": 100,
                "n_wrong": int(range_m),
                "predicted": 0.01 * range_m,
            }
            for name in ("a/b", "c/photometric")
            for range_m in (8.0, 12.0)
            for turn in (10.0, 20.0)
        ]
    )


def test_a_marker_that_no_detector_finds_is_started_from_made_up_corners():
    row = run_case(1, Cell(20.0, 70.0, 0.8), 0, TARGET)
    assert row["start"] == "synthetic"
    assert row["outcome"] in ("ok", "ambiguous")
