"""Registrations in which a target slips on the bar, rehearsed with cameras and prints as built."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from bench.detect.observation import Observation
from bench.digest import content_digest, key_digest
from bench.errors import ConfigError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import tilt_of_pose
from bench.registration.bar_views import Glimpse
from bench.registration.pictures import sight_of
from bench.registration.plan import default_sequence
from bench.registration.rehearsal import Errors, Faults, draw_scene, rehearse
from bench.registration.rehearsal import Scene as Drawn
from bench.registration.sights import MeasuredPose, Sight, Step
from bench.render.planar import render_target
from bench.scene.model import Bay, Tower
from bench.scene.tower_pair import tower_pair
from bench.solve.default_pipeline import default_pipeline
from bench.solve.pipeline import pipeline_from_name
from bench.solve.response import target_points
from bench.survey.setting import Setting
from bench.teaching.scenes import Scene
from bench.teaching.trials import Illustrated, Rows, numbers_of, outline_of, points_of
from bench.teaching.views import edge_room


def looked_for(
    bay: Bay, scene: Drawn, errors: Errors, rng: np.random.Generator
) -> tuple[Step, ...]:
    """Return what `register` takes from pictures of a scene, as `find_points` does."""
    steps = []
    for index, glimpses in enumerate(scene.glimpses):
        sights = [_taken(bay, scene, one, rng) for one in glimpses]
        steps.append(Step(f"step {index + 1}", tuple(one for one in sights if one is not None)))
    return tuple(steps)


def _taken(
    bay: Bay, scene: Drawn, glimpse: Glimpse, rng: np.random.Generator
) -> Sight | MeasuredPose | None:
    pipeline = _runner(default_pipeline(bay.bar.target(glimpse.end)))
    return sight_of(pipeline, _seen(bay, scene, glimpse, rng), glimpse.tower, glimpse.end)


def _seen(bay: Bay, scene: Drawn, glimpse: Glimpse, rng: np.random.Generator) -> Observation:
    """Take the picture of a target on the bar."""
    tower, target = _towers(bay)[glimpse.tower], bay.bar.target(glimpse.end)
    T = glimpse.T_camera_target
    # a target s times as large is the same picture from 1/s of the distance
    near = replace(T, translation=T.translation / scene.sizes[glimpse.end])
    camera = scene.cameras[glimpse.tower]
    picture = render_target(target, near, camera, tower.imaging, rng)
    return Observation(picture, tower.camera, target, tower.imaging.sensor)


_runner = lru_cache(maxsize=4)(pipeline_from_name)


def _towers(bay: Bay) -> dict[str, Tower]:
    return dict(zip(("left", "right"), tower_pair(bay), strict=True))


def registered(
    bay: Bay,
    scene: Scene,
    trials: int,
    seed: int,
    as_built: bool = True,
    stored: Mapping[str, Rows] | None = None,
) -> Illustrated:
    """Rehearse registrations in which target B turns in its holder half way.

    Each is made of pictures of the bar, from which `register` takes what it does on site. As
    built, cameras and the prints' sizes are off by what the bay's budget assumes; fit and checks
    know how much that may be, as on site. Bent plates, run ink and dirt are left out: neither
    knows of them, and the checks take them for slips. The picture is that of the first trial's
    first sight of B after the slip.

    Raises
    ------
    ConfigError
        The bay has no two towers side by side, or no tower sees target B after the slip.
    """
    towers = _towers(bay)
    poses = default_sequence(bay, seed=seed)
    slip = np.array([0.0, scene.slip or 0.0, 0.0])
    faults = Faults(slip=(0.0, float(slip[1]), 0.0), slip_step=len(poses) // 2)
    errors = Errors.assumed(bay.budget) if as_built else Errors()
    made_of = content_digest(
        (content_digest(poses), repr(scene.content), bay.digest, seed, trials)
    )
    made_of = content_digest((made_of, errors, "poses"))
    cases = list((stored or {}).get(made_of, ()))
    if not cases:
        found = rehearse(bay, poses, trials, errors, faults, seed, find=looked_for)
        cases = [
            {"outcome": "ok", "err_toe_deg": math.degrees(off[2]), "alarms": list(alarms)}
            for off, alarms in zip(found.errors, found.alarms, strict=True)
        ]
        cases += [{"outcome": "refused", "alarms": [why]} for why in found.refused]
        cases = [{"key": f"registration {k}"} | case for k, case in enumerate(cases)]
    # the first trial's own draws, see `rehearse`
    rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest("registration 0")]))
    drawn = draw_scene(bay, poses, errors, faults, rng)
    sights = [(i, g) for i, seen in enumerate(drawn.glimpses) for g in seen if g.end == "B"]
    after = next(((i, g) for i, g in sights if i >= faults.slip_step), None)
    if after is None:
        raise ConfigError(
            f"{bay.path}: bar: no tower sees target B in the second half of the steps"
        )
    step, glimpse = after
    tower, T = towers[glimpse.tower], glimpse.T_camera_target
    setting = Setting(tower.camera, tower.imaging, bay.bar.target_b)
    seen = _seen(bay, drawn, glimpse, rng)
    detection = _runner(default_pipeline(setting.target)).detect(seen)
    T_before = T @ Pose(exp_rotvec(-slip), np.zeros(3))
    outline = outline_of(setting, T)
    range_m = float(np.linalg.norm(T.translation))
    numbers: dict[str, Any] = {
        "as_built": as_built,
        "alarms": sum(bool(case["alarms"]) for case in cases if case["outcome"] == "ok"),
        "slipped_px": _moved_px(setting, T_before, T),
        "steps": len(poses),
        "step_shown": step + 1,
    }
    return Illustrated(
        scene=scene,
        tower=tower.name,
        pipeline=default_pipeline(setting.target),
        seed=seed,
        setting=setting,
        picture=seen.picture,
        T_camera_target=T,
        found=points_of(detection),
        range_m=range_m,
        turn_deg=math.nan,
        pitch_deg=math.nan,
        tilt_deg=math.degrees(tilt_of_pose(T)),
        size_px=setting.camera.fx * setting.target.drawing.width / range_m,
        margin_px=edge_room(
            outline * (setting.camera.width, setting.camera.height) - 0.5, setting.camera
        ),
        outline=outline,
        cases=tuple(cases),
        made_of=made_of,
        numbers=numbers_of(cases) | numbers,
        digests=setting.digests() | {"poses": content_digest(poses)},
        T_before=T_before,
        T_bay_bar=poses[step].T_bay_bar,
    )


def _moved_px(setting: Setting, T_before: Pose, T_after: Pose) -> float:
    """Return how far the slip moves the pattern's points in the picture at most, pixels."""
    points = target_points(setting.target)
    before, after = (project(points, T, setting.camera) for T in (T_before, T_after))
    return float(np.max(np.linalg.norm(after - before, axis=1)))
