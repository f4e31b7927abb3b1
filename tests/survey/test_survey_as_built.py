"""Surveys of bays as built: whose bay, where in the picture, three parts, what the bay allows."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from bench.errors import ConfigError, RunError
from bench.scene.load import load_bay
from bench.survey.cells import summarise
from bench.survey.columns import CASE_COLUMNS, schema, with_later
from bench.survey.parts import ALGORITHM, BAY, NOISE, limiting, parts_words
from bench.survey.plan import WHEELS, position_of_case, wheels_near
from bench.survey.setup import job_of_bay, setting_of_plan
from bench.survey.truth import bay_of_case, parts_columns
from bench.survey.worker import Worker, picture_of_case

VIEW = {"ranges_m": (8.0,), "turns_deg": (30.0,), "trials": 3, "pipelines": ("apriltag/ippe-lm",)}


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def job(bay):
    return job_of_bay(bay, as_built=True, **VIEW)


@pytest.fixture(scope="module")
def rows(job):
    return [row for case in job.plan.cases() for row in Worker(job).run_case(case, {})]


def test_as_drawn_stays_what_it_was(bay):
    plan = job_of_bay(bay, **VIEW).plan
    assert (plan.imperfections, plan.wheels, plan.one, plan.positions) == ("", (), "", (None,))


def test_as_built_places_are_where_this_bay_s_wheels_appear(job):
    assert job.plan.positions == (WHEELS,)
    seen = {(across, down) for _, across, down in job.plan.wheels}
    for case in job.plan.cases():
        assert position_of_case(case, job.plan) in seen


def test_a_case_stands_where_wheels_at_about_its_range_do():
    wheels = ((2.5, 0.1, 0.1), (2.6, 0.2, 0.2), (8.0, 0.8, 0.8))
    assert wheels_near(wheels, 2.5) == wheels[:2]
    assert wheels_near(wheels, 20.0) == wheels[2:]
    # between both: the nearest, by ratio, and what is as near
    assert wheels_near(wheels, 4.0) == wheels[:2]


def test_a_position_overrides_it(bay):
    job = job_of_bay(bay, as_built=True, positions=((0.2, 0.3),), **VIEW)
    assert position_of_case(job.plan.case(0), job.plan) == (0.2, 0.3)
    assert job.plan.wheels == ()


def test_a_camera_that_sees_no_wheel_is_refused(bay):
    with pytest.raises(ConfigError, match="no wheel"):
        replace(job_of_bay(bay, as_built=True, **VIEW).plan, wheels=())


def test_trial_k_is_bay_k_in_every_cell_and_positions_have_bays_of_their_own(bay):
    job = job_of_bay(
        bay, as_built=True, positions=(None, (0.2, 0.3)), **(VIEW | {"ranges_m": (4.0, 8.0)})
    )
    bays = {}
    for case in job.plan.cases():
        name = bay_of_case(case, job.plan, job.setting.built).name
        bays.setdefault((case.position_name, case.trial), set()).add(name)
    assert all(len(names) == 1 for names in bays.values())
    assert len({name for names in bays.values() for name in names}) == len(bays)


def test_a_picture_is_of_its_own_camera_not_the_nominal_one(bay, job):
    case = job.plan.case(0)
    drawn = job_of_bay(bay, positions=(WHEELS,), **VIEW)
    assert position_of_case(case, job.plan) == position_of_case(case, drawn.plan)
    one, other = picture_of_case(case, job), picture_of_case(case, drawn)
    assert one.grey.shape != other.grey.shape or np.any(one.grey != other.grey)


def test_the_three_parts_make_up_the_error(rows):
    for row in rows:
        assert row["bay"].startswith("left ")
        # what is common and own is of a workshop's size, hundredths of a degree at most
        assert 0.0 < abs(row["common_rot_y_deg"]) < 0.1
        assert 0.0 < abs(row["own_rot_y_deg"]) < 0.1
    frame = pl.DataFrame(rows, schema=schema(CASE_COLUMNS))
    cell = summarise(frame).row(0, named=True)
    squares = [
        sum(
            (row[f"err_rot_{a}_deg"] - row[f"common_rot_{a}_deg"] - row[f"own_rot_{a}_deg"]) ** 2
            for a in "xyz"
        )
        for row in rows
    ]
    assert cell["rms_picture_rot_deg"] == pytest.approx(np.sqrt(np.mean(squares)))


def test_a_bay_allows_less_than_the_bound_and_efficiency_is_judged_by_it(rows):
    frame = pl.DataFrame(rows, schema=schema(CASE_COLUMNS))
    cell = summarise(frame).row(0, named=True)
    assert cell["allowed_rot_deg"] > cell["bound_rot_deg"]
    ok = frame.filter(pl.col("outcome") == "ok")
    allowed = sum((ok[f"allowed_rot_{a}_deg"] ** 2).mean() for a in "xyz")
    assert cell["efficiency_rot"] == pytest.approx(np.sqrt(allowed) / cell["rms_rot_deg"])


def test_one_bay_is_in_every_picture_and_its_plan_makes_it_again(bay):
    asked = job_of_bay(bay, as_built=True, **VIEW)
    one = bay_of_case(asked.plan.case(2), asked.plan, asked.setting.built)
    job = job_of_bay(bay, as_built=True, one=one, **VIEW)
    names = {bay_of_case(case, job.plan, job.setting.built).name for case in job.plan.cases()}
    assert names == {one.name}
    again = setting_of_plan(bay, bay.towers[0], job.plan)
    assert again.digests() == job.setting.digests()
    T = parts_columns(job.plan.case(0), _pose(job), job.plan, job.setting)[0]
    assert T["bay"] == one.name


def _pose(job):
    from bench.geometry.viewing import pose_of_view
    from bench.survey.plan import view_of_case

    camera = job.setting.camera
    return pose_of_view(view_of_case(job.plan.case(0), job.plan, camera), camera)


def test_several_pictures_of_one_bay_among_others_are_refused(cell_cases):
    errors = np.array([0.1, 0.2, 0.3])
    cases = cell_cases(errors)
    for bays in (["a", "b", "c"], ["a", "a", "a"]):
        assert summarise(cases.with_columns(bay=pl.Series(bays)))["n"].item() == 3
    with pytest.raises(RunError, match="3 pictures are of 2 bays"):
        summarise(cases.with_columns(bay=pl.Series(["a", "a", "b"])))


def test_tables_from_before_are_read_as_drawn(cell_cases):
    cases = cell_cases(np.array([0.1, 0.2])).with_columns(
        bound_rot_x_deg=0.01, bound_rot_y_deg=0.01, bound_rot_z_deg=0.01, tilt_true_deg=30.0
    )
    later = ["bay", *(n for n in cases.columns if n.startswith(("allowed", "common", "own")))]
    cells = summarise(cases.drop(later))
    assert cells["allowed_rot_deg"].item() == pytest.approx(cells["bound_rot_deg"].item())
    assert parts_words(cells) == []
    old = cells.drop([n for n in cells.columns if n.startswith("allowed") or "picture" in n])
    assert with_later(old)["allowed_rot_deg"].to_list() == cells["allowed_rot_deg"].to_list()


@pytest.mark.parametrize(
    ("bound", "allowed", "rms", "cause"),
    [(0.03, 0.031, 0.03, NOISE), (0.01, 0.03, 0.03, BAY), (0.01, 0.02, 0.09, ALGORITHM)],
)
def test_the_largest_square_limits(bound, allowed, rms, cause):
    cell = {"bound_rot_deg": bound, "allowed_rot_deg": allowed, "rms_rot_deg": rms}
    found = limiting(pl.DataFrame([cell | {"bound_holds": True}]))
    assert found["limited_by"].item() == cause


def test_the_map_names_the_common_share_and_sends_toe_and_camber_on(rows):
    frame = pl.DataFrame(rows, schema=schema(CASE_COLUMNS))
    words = " ".join(parts_words(summarise(frame)))
    assert "registration absorbs" in words
    assert "'sightbench budget'" in words
    assert "What limits apriltag/ippe-lm" in words
