"""The numbers of a teaching picture: many pictures of its scene through a real pipeline."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bench.detect.observation import Observation
from bench.errors import ConfigError
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, log_rotation
from bench.geometry.viewing import pose_of_view, tilt_of_pose
from bench.guide.illustrate_scenes import Scene
from bench.guide.illustrate_views import Staged, edge_room, leaning, stage
from bench.guide.register_plan import default_sequence
from bench.guide.register_rehearse import Faults, rehearse
from bench.guide.register_views import SIDES, glimpses, points_of, tower_pair
from bench.imaging.picture import Picture
from bench.render.planar import render_target
from bench.scene.model import Bay
from bench.solve.pipeline import pipeline_from_name
from bench.survey.digest import content_digest, key_digest
from bench.survey.plan import noise_rng, view_of_case
from bench.survey.score import score
from bench.survey.setting import Setting
from bench.targets.target import Target


@dataclass(frozen=True, eq=False)
class Illustrated:
    """A scene and what came of it.

    Attributes
    ----------
    scene : Scene
        Which.
    tower : str
        Whose camera it is.
    picture : Picture
        What the camera saw in the first trial.
    T_camera_target : Pose
        Target to camera in that picture, as it is.
    target : Target
        What is seen in it.
    range_m, turn_deg, pitch_deg, tilt_deg : float
        Nominal view.
    size_px, margin_px : float
        Of the plate, see `Staged`.
    outline : (4, 2) float
        The plate's corners in the frame, fractions across and down.
    keys : tuple of str
        Of the cases that the numbers come from, in order.
    numbers : dict
        What was found; see `measured` and `registered`. None where there is no number.
    digests : dict of str to str
        Of camera, imaging and target.
    """

    scene: Scene
    tower: str
    picture: Picture
    T_camera_target: Pose
    target: Target
    range_m: float
    turn_deg: float
    pitch_deg: float
    tilt_deg: float
    size_px: float
    margin_px: float
    outline: np.ndarray
    keys: tuple[str, ...]
    numbers: dict[str, Any] = field(default_factory=dict)
    digests: dict[str, str] = field(default_factory=dict)


def illustrate(bay: Bay, scene: Scene, pipeline: str, trials: int, seed: int) -> Illustrated:
    """Compute a scene.

    Parameters
    ----------
    bay : Bay
        Whose camera, target and towers.
    scene : Scene
        What is shown.
    pipeline : str
        Detector/solver.
    trials : int
        Pictures, or registrations.
    seed : int
        Of all randomness, with each case's key.

    Raises
    ------
    ConfigError
        The bay can't show it.
    PlugInError
        The pipeline fails.
    """
    if scene.slip_deg is not None:
        return registered(bay, scene, trials, seed)
    return measured(bay, scene, pipeline, trials, seed)


def measured(bay: Bay, scene: Scene, pipeline: str, trials: int, seed: int) -> Illustrated:
    """Run a pipeline on a scene's pictures; it knows the clean target, as on site."""
    staged = stage(bay, scene, pipeline, trials, seed)
    runner, setting = pipeline_from_name(pipeline), staged.setting
    reason = runner.refusal(bay.target)
    if reason is not None:
        raise ConfigError(f"{bay.path}: {reason}")
    rows, offs, keys, first = [], [], [], None
    for case in staged.plan.cases():
        T_true = pose_of_view(view_of_case(case, staged.plan, setting.camera), setting.camera)
        rng = noise_rng(case, seed)
        picture = render_target(setting.target, T_true, setting.camera, setting.imaging, rng)
        seen = Observation(picture, setting.camera, bay.target, setting.imaging.sensor)
        detection, estimate = runner.run(seen)
        row = score(T_true, detection, estimate)
        first = (picture, T_true) if first is None else first
        keys.append(case.key)
        rows.append(row)
        if scene.lean_deg is not None and row["outcome"] == "ok":
            offs.append(_in_bay(bay, scene.lean_deg, T_true, estimate.T_camera_target_est))
    assert first is not None  # a plan has one trial or more
    return _illustrated(staged, first, tuple(keys), numbers_of(rows) | _tower_numbers(scene, offs))


def numbers_of(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return outcomes and errors of scored cases; errors over usable ones only."""
    usable = [row for row in rows if row["outcome"] == "ok"]
    counts = Counter(str(row["outcome"]) for row in rows)
    found: dict[str, Any] = {
        "n": len(rows),
        "usable": len(usable),
        "missed": counts["missed"] + counts["wrong_id"],
        "mirrored": counts["mirrored"],
        "unsure": counts["ambiguous"] + counts["not_finite"],
        "rms_rot_deg": None,
        "p95_rot_deg": None,
        "rms_along_mm": None,
        "rmse_px": _median(rows, "rmse_px"),
        "runner_up_rmse_px": _median(rows, "runner_up_rmse_px"),
    }
    if usable:
        rotation = np.array([row["err_rot_deg"] for row in usable])
        along = np.array([row["err_along_mm"] for row in usable])
        found["rms_rot_deg"] = float(np.sqrt(np.mean(rotation**2)))
        found["p95_rot_deg"] = float(np.quantile(rotation, 0.95))
        found["rms_along_mm"] = float(np.sqrt(np.mean(along**2)))
    return found


def _median(rows: list[dict[str, Any]], name: str) -> float | None:
    values = [row[name] for row in rows if row.get(name) is not None]
    return float(np.median(values)) if values else None


def _in_bay(bay: Bay, lean_deg: float, T_true: Pose, T_est: Pose | None) -> np.ndarray:
    """Return the rotation error (3,) about the bay's axes of who doesn't know of the lean."""
    assert T_est is not None  # an usable estimate has a pose
    tower = bay.towers[0]
    R_true = leaning(tower, lean_deg).rotation @ T_true.rotation
    R_est = tower.T_bay_camera.rotation @ T_est.rotation
    return log_rotation(R_est @ R_true.T)


def _tower_numbers(scene: Scene, offs: list[np.ndarray]) -> dict[str, Any]:
    """Return mean and RMS of what a lean does: about the bay's x to camber, about z to toe."""
    if scene.lean_deg is None:
        return {}
    if not offs:
        return {"mean_camber_deg": None, "rms_camber_deg": None, "rms_toe_deg": None}
    off = np.degrees(np.array(offs))
    rms = np.sqrt(np.mean(off**2, axis=0))
    return {
        "mean_camber_deg": float(abs(np.mean(off[:, 0]))),
        "rms_camber_deg": float(rms[0]),
        "rms_toe_deg": float(rms[2]),
    }


def _illustrated(
    staged: Staged, first: tuple[Picture, Pose], keys: tuple[str, ...], numbers: dict[str, Any]
) -> Illustrated:
    plan, setting = staged.plan, staged.setting
    return Illustrated(
        scene=staged.scene,
        tower=plan.tower,
        picture=first[0],
        T_camera_target=first[1],
        target=setting.target,
        range_m=plan.ranges_m[0],
        turn_deg=plan.turns_deg[0],
        pitch_deg=plan.pitches_deg[0],
        tilt_deg=math.degrees(tilt_of_pose(staged.T_camera_target)),
        size_px=staged.size_px,
        margin_px=staged.margin_px,
        outline=_outline(setting, staged.T_camera_target),
        keys=keys,
        numbers=numbers,
        digests=setting.digests() | {"plan": plan.digest},
    )


def _outline(setting: Setting, T_camera_target: Pose) -> np.ndarray:
    plate = np.column_stack((setting.target.drawing.outline, np.zeros(4)))
    pixels = project(plate, T_camera_target, setting.camera)
    return (pixels + 0.5) / (setting.camera.width, setting.camera.height)


def registered(bay: Bay, scene: Scene, trials: int, seed: int) -> Illustrated:
    """Rehearse registrations in which target B turns in its holder half way."""
    poses = default_sequence(bay, seed=seed)
    half = len(poses) // 2
    slip = math.radians(scene.slip_deg or 0.0)
    faults = Faults(slip=(0.0, slip, 0.0), slip_step=half)
    found = rehearse(bay, poses, trials, faults=faults, seed=seed)
    pose = next(p for p in poses[half:] if any(g.end == "B" for g in glimpses(bay, p)))
    glimpse = next(g for g in glimpses(bay, pose) if g.end == "B")
    tower = tower_pair(bay)[SIDES.index(glimpse.tower)]
    T = glimpse.T_camera_target @ Pose(exp_rotvec(np.array([0.0, slip, 0.0])), np.zeros(3))
    setting = Setting(tower.camera, tower.imaging, bay.bar.target_b)
    rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest("registration 0")]))
    picture = render_target(setting.target, T, setting.camera, setting.imaging, rng)
    off = np.degrees(found.errors[:, 2]) if len(found.errors) else np.array([])
    outline = _outline(setting, T)
    range_m = float(np.linalg.norm(T.translation))
    pixels = outline * (setting.camera.width, setting.camera.height) - 0.5
    return Illustrated(
        scene=scene,
        tower=tower.name,
        picture=picture,
        T_camera_target=T,
        target=setting.target,
        range_m=range_m,
        turn_deg=math.nan,
        pitch_deg=math.nan,
        tilt_deg=math.degrees(tilt_of_pose(T)),
        size_px=setting.camera.fx * setting.target.drawing.width / range_m,
        margin_px=edge_room(pixels, setting.camera),
        outline=outline,
        keys=tuple(f"registration {trial}" for trial in range(trials)),
        numbers={
            "n": trials,
            "usable": len(found.errors),
            "rms_toe_deg": float(np.sqrt(np.mean(off**2))) if len(off) else None,
            "alarms": sum(bool(names) for names in found.alarms),
            "slipped_px": _moved(setting, glimpse.T_camera_target, T),
            "steps": len(poses),
        },
        digests=setting.digests() | {"poses": content_digest(poses)},
    )


def _moved(setting: Setting, T_before: Pose, T_after: Pose) -> float:
    """Return how far the slip moves the pattern's points in the picture at most, pixels."""
    points = points_of(setting.target)
    before, after = (project(points, T, setting.camera) for T in (T_before, T_after))
    return float(np.max(np.linalg.norm(after - before, axis=1)))
