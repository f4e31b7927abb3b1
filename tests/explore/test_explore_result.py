"""What the page shows is what a survey would find, and says whether the tolerance holds."""

import base64
import dataclasses
import json
import math

import cv2
import numpy as np
import pytest
from scipy import stats

from bench.explore.bounds import Bound
from bench.explore.controls import AS_BUILT, AS_DRAWN
from bench.explore.drawing import REACH_95, ellipse
from bench.explore.place import job_of, run_job_of
from bench.explore.predicted import TURNS_DEG, predicted_map
from bench.explore.result import bound, compute
from bench.explore.scaling import scaled
from bench.explore.state import StateError
from bench.explore.words import judge_bound, judge_error
from bench.geometry.viewing import pose_of_view
from bench.render.planar import render_target
from bench.solve.bounds import image_bound
from bench.solve.default_pipeline import detector_of
from bench.survey.bound import image_bound_columns
from bench.survey.plan import noise_rng, view_of_case
from bench.survey.verdicts import Request
from bench.survey.worker import Worker, picture_of_case
from bench.targets.design import MarkerDesign, build_target

VIEWS = (
    {},
    {"range_m": 12.0, "turn_deg": -50.0, "pitch_deg": 10.0, "roll_deg": 20.0, "seed": 7.0},
    {"target": "grid:36h11:2x2", "pipeline": "aruco-subpix/photometric", "across": 0.3},
    {"light": 0.0},  # nothing to see: missed
    {"bay": AS_DRAWN},
)
# Columns that the worker's row has and the page's hasn't: what B measures, not finds.
MEASURED = {"index", "pipeline", "render_ms", "detect_ms", "solve_ms", "score_ms"}


@pytest.mark.parametrize("view", VIEWS, ids=str)
def test_a_state_has_the_numbers_of_the_surveys_own_worker(place, view):
    state = dataclasses.replace(place.default, **view)
    job = job_of(state, place)
    (row,) = Worker(job).run_case(job.plan.case(0), {})
    found = compute(state, place)
    assert found["key"] == row["key"]
    for name, value in found["row"].items():
        assert value == row[name], name
    others = {n for n in row if not n.startswith(("bound", "corner_bound", "allowed"))}
    assert others - set(found["row"]) - MEASURED <= {n for n in row if row[n] is None}
    best = {e["name"]: e["bound"] for e in found["errors"]}
    if row.get("bound_rot_y_deg") is not None:
        assert best["Turn"] == row["bound_rot_y_deg"]
        assert best["Along the line of sight"] == row["bound_along_mm"]


def test_the_picture_is_the_cameras_own_grey_values(place):
    state = place.default
    job = job_of(state, place)
    png = base64.b64decode(compute(state, place)["picture"]["png"].partition(",")[2])
    shown = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(shown, picture_of_case(job.plan.case(0), job).grey8)


def test_the_same_state_gives_the_same_bytes(place):
    first, second = (json.dumps(compute(place.default, place)) for _ in range(2))
    assert first == second
    other = dataclasses.replace(place.default, seed=place.default.seed + 1.0)
    assert json.dumps(compute(other, place)["picture"]) not in first


def test_both_poses_of_the_plane_are_shown_with_their_residuals(place):
    chosen, second = compute(place.default, place)["solutions"]
    assert (chosen["role"], second["role"]) == ("chosen", "runner-up")
    assert chosen["rmse_px"] < second["rmse_px"]
    # the two normals lie on either side of the line of sight
    assert chosen["turn_deg"] * second["turn_deg"] < 0.0
    # a ring through the plate's corners, closed
    assert chosen["outline"][0] == chosen["outline"][-1]


def test_points_found_lie_on_the_picture_where_the_true_corners_are(place):
    state = place.default
    found = compute(state, place)
    points = np.array(found["detection"]["points"])
    true = np.array(found["picture"]["truth"])
    # a marker of 200 mm on a plate of 260 mm: points are inside the plate's outline
    assert np.all(points.min(axis=0) > true.min(axis=0))
    assert np.all(points.max(axis=0) < true.max(axis=0))


def test_a_missed_target_is_shown_as_data(place):
    found = compute(dataclasses.replace(place.default, light=0.0), place)
    assert found["outcome"] == "missed"
    assert found["solutions"] == []
    assert all(e["error"] is None for e in found["errors"])
    assert found["judgement"]["verdict"] == "none"
    json.dumps(found, allow_nan=False)


def test_a_slow_bound_waits_and_is_the_survey_bound_where_that_is_known(place):
    state = place.default
    job = job_of(state, place)
    T_true, setting, region = _pose_setting_region(job)
    drawing, camera = setting.target.drawing, setting.camera
    columns = image_bound_columns(
        lambda: image_bound(drawing, T_true, camera, setting.imaging, region), T_true, setting
    )
    later = bound(state, place)
    assert later["sigma"]["Turn"] == columns["bound_rot_y_deg"]
    assert not compute(state, place)["bound_waits"]
    blurred = dataclasses.replace(state, motion_right_px=1.0)
    assert compute(blurred, place)["bound_waits"]
    assert bound(blurred, place)["bound_deg"] > later["bound_deg"]


def _pose_setting_region(job):
    case, setting = job.plan.case(0), job.setting
    T_true = pose_of_view(view_of_case(case, job.plan, setting.camera), setting.camera)
    rng = noise_rng(case, job.plan.seed)
    picture = render_target(setting.target, T_true, setting.camera, setting.imaging, rng)
    return T_true, setting, picture.region


@pytest.mark.parametrize(
    ("view", "control", "words"),
    [
        ({"range_m": 0.2}, "range_m", "must be above"),
        ({"focus_m": 3.0}, "focus_m", "needs an f-number"),
        ({"range_m": 0.5, "f_number": 32.0}, "range_m", "half a minute"),
        ({"turn_deg": 84.0, "pitch_deg": 60.0}, "pitch_deg", "at most 85 deg"),
        ({"pipeline": "charuco/ippe"}, "pipeline", "doesn't look for targets"),
        ({"tower": "middle"}, "tower", "must be one of left, right"),
        ({"target": "nothing"}, "target", "There is no target 'nothing'"),
        ({"pipeline": "no/such"}, "pipeline", "There is no pipeline"),
    ],
    ids=str,
)
def test_what_does_not_go_together_is_refused_at_its_control(place, view, control, words):
    with pytest.raises(StateError) as raised:
        compute(dataclasses.replace(place.default, **view), place)
    (problem,) = raised.value.problems
    assert problem.control == control
    assert words in problem.message


def test_every_listed_target_has_a_pipeline_that_reads_it(place):
    for name in place.targets:
        able = place.able(name)
        assert able[0].split("/")[0] == detector_of(place.target(name, 260.0))
        state = dataclasses.replace(place.default, target=name, pipeline=able[0])
        assert compute(state, place)["outcome"] in {"ok", "missed", "ambiguous"}


def test_a_scaled_target_is_the_design_of_that_size():
    plate = {"plate": (0.26, 0.26)}
    own = build_target(MarkerDesign(marker_id=7, size=0.2, **plate))
    half = build_target(MarkerDesign(marker_id=7, size=0.1, plate=(0.13, 0.13)))
    made = scaled(own, 0.5)
    assert made.marker_size == half.marker_size
    assert np.allclose(made.drawing.segments()[0], half.drawing.segments()[0], rtol=0, atol=1e-15)
    assert np.array_equal(made.drawing.segments()[1], half.drawing.segments()[1])
    assert np.allclose(made.markers[7], half.markers[7], rtol=0, atol=1e-15)


def test_the_ellipse_holds_95_percent_of_its_gaussian():
    covariance = np.array([[4.0, 1.5], [1.5, 1.0]])
    drawn = np.random.default_rng(3).multivariate_normal([0, 0], covariance, 20_000)
    distance = np.einsum("ni,ij,nj->n", drawn, np.linalg.inv(covariance), drawn)
    share = float(np.mean(distance <= REACH_95**2))
    # four standard deviations of a share of 0.95 among 20 000
    assert abs(share - 0.95) < 4.0 * math.sqrt(0.95 * 0.05 / 20_000)
    ring = np.array(ellipse(covariance))
    on_it = np.einsum("ni,ij,nj->n", ring, np.linalg.inv(covariance), ring)
    assert np.allclose(on_it, REACH_95**2, rtol=1e-12)


def test_verdicts_are_words_with_numbers():
    assert judge_error("ok", 0.031, 0.05).words == (
        "This picture is inside tolerance, 0.031 deg of 0.05"
    )
    assert judge_error("ok", 0.08, 0.05).verdict == "outside"
    assert judge_error("mirrored", 0.01, 0.05).verdict == "outside"
    assert judge_error("missed", None, 0.05).verdict == "none"
    asked = Request(within_deg=0.05)
    best = Bound({}, 0.06, 0.0012 * np.eye(3), np.eye(2), True)
    assert judge_bound(best, asked).verdict == "outside"
    small = dataclasses.replace(best, rotation=1e-4 * np.eye(3), rotation_deg=0.017)
    words = judge_bound(small, asked).words
    assert words.startswith("The bound leaves room: at best 100 % of errors within 0.05 deg")
    assert words.endswith("95 % asked (RMS 0.017 deg)")
    assert judge_bound(dataclasses.replace(best, holds=False), asked).verdict == "open"
    assert judge_bound(None, asked).verdict == "open"


@pytest.mark.parametrize("within", [0.5, 1.0, 2.0, 2.795])
def test_the_share_within_is_that_of_chi_with_three_degrees_where_all_scatter_alike(within):
    bound = Bound({}, math.sqrt(3.0), np.eye(3), np.eye(2), True)
    assert bound.share_within(within) == pytest.approx(stats.chi.cdf(within, 3), abs=0.002)


def test_the_share_within_is_that_of_a_lone_angle_where_it_alone_scatters():
    bound = Bound({}, 1.0, np.diag([0.0, 1.0, 0.0]), np.eye(2), True)
    assert bound.share_within(1.96) == pytest.approx(0.95, abs=0.002)


def test_a_run_spreads_rolls_as_a_map_does_or_not(place):
    state = place.default
    assert run_job_of(state, place).plan.roll_spread_deg == place.bay.survey.roll_deg
    off = dataclasses.replace(state, roll_spread_deg=0.0)
    assert run_job_of(off, place).plan == job_of(off, place).plan
    assert job_of(state, place).plan.roll_spread_deg == 0.0


def test_pictures_are_of_bays_as_built_or_as_drawn(place):
    built, drawn = (
        compute(dataclasses.replace(place.default, bay=bay), place) for bay in (AS_BUILT, AS_DRAWN)
    )
    assert place.default.bay == AS_BUILT
    assert built["picture"]["png"] != drawn["picture"]["png"]
    assert "registration absorbs" in built["judgement"]["parts_words"]
    assert drawn["judgement"]["parts_words"] == ""
    # what the bay allows is more than the bound, and as drawn the bound
    assert built["judgement"]["allowed_deg"] > 2.0 * built["judgement"]["bound_deg"]
    assert drawn["judgement"]["allowed_deg"] == drawn["judgement"]["bound_deg"]
    assert "camera, print and plate" in built["judgement"]["bound_words"]
    assert "The bound" in drawn["judgement"]["bound_words"]


def test_a_run_as_built_is_of_a_bay_each(place):
    worker = Worker(run_job_of(place.default, place))
    rows = [worker.run_case(worker.job.plan.case(i), {})[0] for i in range(3)]
    assert len({row["bay"] for row in rows}) == 3


def test_the_predicted_map_has_the_bound_of_each_view_and_says_where_it_holds(place):
    state = dataclasses.replace(place.default, bay=AS_DRAWN, dark_noise_e=60.0, turn_deg=-30.0)
    found = predicted_map(state, place)
    assert found["turns_deg"] == [-turn for turn in TURNS_DEG]  # the side that the view is on
    for i, j in ((0, 0), (2, 3), (4, 5)):
        there = dataclasses.replace(
            state, turn_deg=found["turns_deg"][i], range_m=found["ranges_m"][j]
        )
        view, cell = bound(there, place), found["cells"][i][j]
        assert (cell is not None and cell <= 1.0) == (view["bound_verdict"] == "inside")
    row = found["cells"][1]
    assert row == sorted(row)  # noise costs more the farther the target is


def test_no_map_is_predicted_through_a_lens_that_takes_a_second_a_view(place):
    with pytest.raises(StateError, match="f-number"):
        predicted_map(dataclasses.replace(place.default, f_number=5.6), place)
