"""Which drawings compete, who reads them, and that they are surveyed alike."""

import dataclasses

import pytest

from bench.choice.candidates import (
    DEFAULT_SPECS,
    OWN,
    jobs_of,
    pipelines_of,
    read_candidates,
)
from bench.errors import ConfigError, PlugInError, TargetError
from bench.scene.load import load_bay
from bench.solve.default_pipeline import detector_of
from bench.solve.pipeline import pipeline_from_name
from bench.survey.plan import view_of_case
from bench.survey.setup import job_of_bay
from bench.targets.fill import Plate
from bench.targets.spec import target_from_spec

PLATE = Plate(0.26, 0.26)


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture(scope="module")
def candidates(bay):
    return read_candidates((), bay.target, Plate.of(bay.target))


def test_five_kinds_compete_by_default(candidates):
    assert [c.spec for c in candidates] == list(DEFAULT_SPECS)
    assert [c.target.kind for c in candidates] == ["marker", "grid", "grid", "charuco", "circles"]
    assert [c.target.layout for c in candidates] == [(1, 1), (2, 2), (4, 4), (5, 5), (5, 5)]


def test_every_candidate_is_on_the_plate_of_the_bays_target(candidates, bay):
    own = Plate.of(bay.target)
    assert all(Plate.of(c.target) == own for c in candidates)


def test_each_candidate_gets_a_corner_and_a_photometric_pipeline_that_look_for_it(candidates):
    for candidate in candidates:
        solvers = [name.split("/")[1] for name in candidate.pipelines]
        assert solvers == ["ippe-lm", "photometric"]
        assert all(
            pipeline_from_name(p).supports(candidate.target.kind) for p in candidate.pipelines
        )


@pytest.mark.parametrize(
    ("spec", "detector"),
    [
        ("marker:36h11:0:0.2 m", "apriltag"),
        ("marker:16h5:0:0.2 m", "apriltag"),
        ("marker:36h10:0:0.2 m", "aruco-subpix"),  # a family that the library doesn't read
        ("grid:4x4_50:2x2:80 mm:20 mm", "aruco-subpix"),
        ("charuco:36h11:5x5:40 mm:30 mm", "charuco"),
        ("circles:4x11:20 mm:15 mm", "circles"),
    ],
)
def test_detector_suits_kind_and_dictionary(spec, detector):
    assert detector_of(target_from_spec(spec)) == detector


def test_candidate_takes_those_pipelines_that_look_for_its_kind(bay):
    asked = ("charuco/ippe", "aruco-none/ippe", "circles/ippe")
    found = read_candidates(DEFAULT_SPECS, bay.target, PLATE, asked)
    assert [c.pipelines for c in found] == [
        ("aruco-none/ippe",),
        ("aruco-none/ippe",),
        ("aruco-none/ippe",),
        ("charuco/ippe", "aruco-none/ippe"),  # which reads a board's markers too
        ("circles/ippe",),
    ]


def test_own_target_competes_as_it_is(bay):
    (candidate,) = read_candidates((OWN,), bay.target, Plate.of(bay.target))
    assert candidate.target is bay.target


def test_own_target_on_another_plate_is_refused(bay):
    with pytest.raises(ConfigError, match="on a plate of 260 x 260 mm, the others on one of 200"):
        read_candidates((OWN,), bay.target, Plate(0.2, 0.2))


@pytest.mark.parametrize(
    ("specs", "pipelines", "error", "message"),
    [
        (("marker:36h11:0",) * 2, (), ConfigError, "marker 36h11-0, 208 mm: is given 2 times"),
        (
            ("marker:36h11:0", "marker:tag36h11:0"),
            (),
            ConfigError,
            "marker 36h11-0, 208 mm: is given 2 times",
        ),
        (
            ("marker:36h11:0", "circles:5x5"),
            ("aruco-none/ippe",),
            ConfigError,
            "candidate circles:5x5: pipeline aruco-none/ippe: ",
        ),
        (
            ("marker:36h11:0",),
            ("aruco-none/ippe", "circles/ippe"),
            ConfigError,
            "pipeline circles/ippe: looks for none of the candidates",
        ),
        (("marker:36h11:0",), ("arucco-none/ippe",), PlugInError, "no detector is called"),
        (("grid:36h11:2x2:1 m:1 m",), (), TargetError, "smaller than the pattern"),
    ],
)
def test_candidates_that_make_no_comparison_are_refused(bay, specs, pipelines, error, message):
    with pytest.raises(error, match=message) as caught:
        read_candidates(specs, bay.target, PLATE, pipelines)
    assert "\n" not in str(caught.value)


def test_all_candidates_are_seen_in_the_same_views(candidates, bay):
    jobs = jobs_of(candidates, bay, "right", ranges_m=(3.0, 5.0), trials=4)
    plans = [job.plan for job in jobs.values()]
    reference = job_of_bay(bay, "right", ranges_m=(3.0, 5.0), trials=4)
    for plan, candidate in zip(plans, candidates, strict=True):
        assert set(plan.pipelines) == set(candidate.pipelines)
        # nothing but the drawing and who reads it differs from the bay's own survey
        same = dataclasses.replace(
            plan, target=reference.plan.target, pipelines=reference.plan.pipelines
        )
        assert same == reference.plan
        for index in (0, 7, plan.n_pictures - 1):
            view = view_of_case(plan.case(index), plan, reference.setting.camera)
            expected = view_of_case(
                reference.plan.case(index), reference.plan, reference.setting.camera
            )
            assert view == expected
    assert len({plan.target for plan in plans}) == len(plans)


def test_folders_tell_candidates_apart(candidates):
    assert [c.folder for c in candidates] == [
        "marker-36h11-0",
        "grid-36h11-2x2",
        "grid-36h11-4x4",
        "charuco-4x4_50-5x5",
        "circles-5x5-symmetric",
    ]


def test_range_too_short_for_a_candidate_names_it(candidates, bay):
    with pytest.raises(
        ConfigError, match=r"candidate marker:36h11:0: ranges: 0\.1 m is too short"
    ):
        jobs_of(candidates, bay, None, ranges_m=(0.1,))


def test_unknown_pipeline_is_refused():
    with pytest.raises(PlugInError, match="no solver is called"):
        pipelines_of(target_from_spec("marker:36h11:0:0.2 m"), ("apriltag/nothing",))
