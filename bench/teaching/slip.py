"""Registrations in which a target slips on the bar, from real pictures through real code."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from bench.detect.observation import Observation
from bench.digest import content_digest, key_digest
from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import tilt_of_pose
from bench.imaging.picture import Picture
from bench.registration.bar_views import Glimpse, T_left_right_of, cameras_of
from bench.registration.checks import alarms
from bench.registration.fit import register
from bench.registration.pictures import sight_of
from bench.registration.plan import bay_axes, default_sequence
from bench.registration.rehearsal import Errors, Faults, draw_scene, error_of
from bench.registration.sights import MeasuredPose, Sight, Step
from bench.render.planar import render_target
from bench.scene.bar import BarPose
from bench.scene.model import Bay
from bench.scene.tower_pair import tower_pair
from bench.solve.pipeline import Pipeline, pipeline_from_name
from bench.solve.response import target_points
from bench.survey.setting import Setting
from bench.targets.target import Target
from bench.teaching.scenes import Scene
from bench.teaching.trials import Illustrated, outline_of
from bench.teaching.views import edge_room

# Poses with an honest covariance go into a registration; corners claim less than they scatter,
# and its checks would raise alarms of their own. AprilTag dictionaries, boards, circles, the rest.
SOLVER = "photometric"
DETECTORS = ("apriltag", "charuco", "circles", "aruco-subpix")


@dataclass(frozen=True, eq=False)
class Seen:
    """A target of the bar in one picture of a registration.

    Attributes
    ----------
    step : int
        From 0.
    glimpse : Glimpse
        Who sees what, as it is.
    picture : Picture
        Of it.
    sight : Sight, MeasuredPose or None
        What the pipeline made of it.
    """

    step: int
    glimpse: Glimpse
    picture: Picture
    sight: Sight | MeasuredPose | None


def registered(bay: Bay, scene: Scene, pipeline: str, trials: int, seed: int) -> Illustrated:
    """Rehearse registrations in which target B turns in its holder half way.

    Every picture of every step is rendered and goes through a pipeline; what it finds is
    registered and checked as on site. The picture kept is the first trial's first one of B
    after the slip.

    Raises
    ------
    ConfigError
        The bay has no two towers side by side, nothing reads the bar's targets, or no tower sees
        target B after the slip.
    """
    poses = default_sequence(bay, seed=seed)
    slip = np.array([0.0, math.radians(scene.slip_deg or 0.0), 0.0])
    faults = Faults(slip=(0.0, float(slip[1]), 0.0), slip_step=len(poses) // 2)
    runners = {end: pipeline_for(bay.bar.target(end), pipeline, bay) for end in ("A", "B")}
    cases: list[dict[str, Any]] = []
    shown = None
    for key in (f"registration {trial}" for trial in range(trials)):
        rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest(key)]))
        seen = list(_seen(bay, poses, faults, runners, rng))
        if shown is None:
            shown = _first_of_b(bay, seen, faults.slip_step)
        cases.append({"key": key} | _answer(bay, seen, len(poses)))
    assert shown is not None  # `_first_of_b` raises where there is none
    return _illustrated(bay, scene, runners["B"].name, seed, poses, shown, slip, cases)


def _answer(bay: Bay, seen: list[Seen], n_steps: int) -> dict[str, Any]:
    """Return outcome, error about the vertical, and failed checks of one registration."""
    steps = tuple(
        Step(f"step {i + 1}", tuple(s.sight for s in seen if s.step == i and s.sight is not None))
        for i in range(n_steps)
    )
    uncertainty = bay.bar.length_uncertainty
    length = None if uncertainty is None else (bay.bar.length, uncertainty)
    try:
        found = register(steps, cameras_of(bay), bay.bar.T_a_b, length)
    except GeometryError:
        return {"outcome": "refused", "alarms": []}
    off = bay_axes(bay) @ error_of(found.T_left_right, T_left_right_of(bay))
    return {
        "outcome": "ok",
        "err_toe_deg": math.degrees(off[2]),
        "alarms": [check.name for check in alarms(found)],
    }


def pipeline_for(target: Target, asked: str, bay: Bay) -> Pipeline:
    """Return the asked pipeline's detector, or else one that reads this target, with `SOLVER`.

    Raises
    ------
    ConfigError
        None does.
    """
    reason = None
    for detector in (asked.partition("/")[0], *DETECTORS):
        runner = pipeline_from_name(f"{detector}/{SOLVER}")
        reason = runner.refusal(target)
        if reason is None:
            return runner
    raise ConfigError(f"{bay.path}: bar: {reason}")


def _seen(
    bay: Bay,
    poses: tuple[BarPose, ...],
    faults: Faults,
    runners: dict[str, Pipeline],
    rng: np.random.Generator,
) -> Iterator[Seen]:
    """Yield what the towers see in one registration, step by step."""
    towers = dict(zip(("left", "right"), tower_pair(bay), strict=True))
    for step, glimpses in enumerate(draw_scene(bay, poses, Errors(), faults, rng).glimpses):
        for glimpse in glimpses:
            tower, target = towers[glimpse.tower], bay.bar.target(glimpse.end)
            T = glimpse.T_camera_target
            picture = render_target(target, T, tower.camera, tower.imaging, rng)
            seen = Observation(picture, tower.camera, target, tower.imaging.sensor)
            sight = sight_of(runners[glimpse.end], seen, glimpse.tower, glimpse.end)
            yield Seen(step, glimpse, picture, sight)


def _first_of_b(bay: Bay, seen: list[Seen], slip_step: int) -> Seen:
    for one in seen:
        if one.step >= slip_step and one.glimpse.end == "B":
            return one
    raise ConfigError(f"{bay.path}: bar: no tower sees target B in the second half of the steps")


def _illustrated(
    bay: Bay,
    scene: Scene,
    pipeline: str,
    seed: int,
    poses: tuple[BarPose, ...],
    shown: Seen,
    slip: np.ndarray,
    cases: list[dict[str, Any]],
) -> Illustrated:
    glimpse = shown.glimpse
    tower = tower_pair(bay)[("left", "right").index(glimpse.tower)]
    setting = Setting(tower.camera, tower.imaging, bay.bar.target_b)
    T = glimpse.T_camera_target
    T_before = T @ Pose(exp_rotvec(-slip), np.zeros(3))
    outline = outline_of(setting, T)
    range_m = float(np.linalg.norm(T.translation))
    pixels = outline * (setting.camera.width, setting.camera.height) - 0.5
    off_deg = np.array([c["err_toe_deg"] for c in cases if c["outcome"] == "ok"])
    return Illustrated(
        scene=scene,
        tower=tower.name,
        pipeline=pipeline,
        seed=seed,
        setting=setting,
        picture=shown.picture,
        T_camera_target=T,
        range_m=range_m,
        turn_deg=math.nan,
        pitch_deg=math.nan,
        tilt_deg=math.degrees(tilt_of_pose(T)),
        size_px=setting.camera.fx * setting.target.drawing.width / range_m,
        margin_px=edge_room(pixels, setting.camera),
        outline=outline,
        cases=tuple(cases),
        numbers={
            "n": len(cases),
            "usable": len(off_deg),
            "rms_toe_deg": float(np.sqrt(np.mean(off_deg**2))) if len(off_deg) else None,
            "alarms": sum(bool(case["alarms"]) for case in cases),
            "slipped_px": moved_px(setting, T_before, T),
            "steps": len(poses),
            "step_shown": shown.step + 1,
        },
        digests=setting.digests() | {"poses": content_digest(poses)},
        T_before=T_before,
        T_bay_bar=poses[shown.step].T_bay_bar,
    )


def moved_px(setting: Setting, T_before: Pose, T_after: Pose) -> float:
    """Return how far the slip moves the pattern's points in the picture at most, pixels."""
    points = target_points(setting.target)
    before, after = (project(points, T, setting.camera) for T in (T_before, T_after))
    return float(np.max(np.linalg.norm(after - before, axis=1)))
