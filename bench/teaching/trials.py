"""The numbers of a teaching picture: many pictures of its scene through a real pipeline."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from bench.built.draws import draw_moment
from bench.built.picture import built_picture, own_face
from bench.detect.observation import Observation
from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view, tilt_of_pose
from bench.imaging.picture import Picture
from bench.render.planar import render_target
from bench.scene.model import Bay
from bench.solve.pipeline import pipeline_from_name
from bench.survey.plan import (
    Case,
    Plan,
    noise_rng,
    position_of_case,
    position_pixel,
    view_of_case,
)
from bench.survey.score import score
from bench.survey.setting import Setting, check_plan
from bench.survey.truth import bay_of_case
from bench.targets.target import Target
from bench.teaching.scenes import OWN_NAME, OWN_SET, Scene
from bench.teaching.views import edge_room, leaning, target_of


@dataclass(frozen=True, eq=False)
class Illustrated:
    """A scene and what came of it.

    Attributes
    ----------
    scene : Scene
        Which.
    tower : str
        Whose camera it is.
    pipeline : str
        Detector/solver that the numbers come through.
    seed : int
        Of all randomness.
    setting : Setting
        Camera, imaging and target as they are in the picture.
    picture : Picture
        What the camera saw in the first trial.
    T_camera_target : Pose
        Target to camera in that picture, as it is.
    range_m, turn_deg, pitch_deg, tilt_deg : float
        Nominal view.
    size_px, margin_px : float
        Of the plate, see `Staged`.
    outline : (4, 2) float
        The plate's corners in the frame, fractions across and down.
    cases : tuple of dict
        What the numbers come from, in order: key, outcome and errors of each.
    numbers : dict
        What was found; see `numbers_of` and `registered`. None where there is no number.
    digests : dict of str to str
        Of camera, imaging and target.
    T_before : Pose or None
        Where the target was before it slipped.
    T_bay_bar : Pose or None
        How the bar was meant to stand in that picture.
    reference : Illustrated or None
        The set's own good case, which this one is compared with.
    """

    scene: Scene
    tower: str
    pipeline: str
    seed: int
    setting: Setting
    picture: Picture
    T_camera_target: Pose
    range_m: float
    turn_deg: float
    pitch_deg: float
    tilt_deg: float
    size_px: float
    margin_px: float
    outline: np.ndarray
    cases: tuple[dict[str, Any], ...]
    numbers: dict[str, Any] = field(default_factory=dict)
    digests: dict[str, str] = field(default_factory=dict)
    T_before: Pose | None = None
    T_bay_bar: Pose | None = None
    reference: Illustrated | None = None


def illustrate_plan(
    bay: Bay,
    setting: Setting,
    plan: Plan,
    *,
    scene: Scene | None = None,
    known: Target | None = None,
) -> Illustrated:
    """Run a pipeline on a view's pictures, and keep the first.

    Parameters
    ----------
    bay : Bay
        Whose tolerances the result is held against.
    setting : Setting
        Camera, imaging and target as they really are.
    plan : Plan
        Of one cell, position and pipeline; its trials are the pictures.
    scene : Scene, optional
        What the picture is about; a view of one's own when left out.
    known : Target, optional
        What the pipeline looks for, where dirt has changed what is there.

    Raises
    ------
    ConfigError
        The plan has several cells, positions or pipelines, or doesn't fit the setting; the
        pipeline doesn't know such a target.
    PlugInError
        The pipeline fails.
    """
    if plan.n_rows != plan.trials:
        raise ConfigError("an illustration shows one cell, one position and one pipeline")
    check_plan(plan, setting)
    known = setting.target if known is None else known
    scene = own_view(plan) if scene is None else scene
    runner = pipeline_from_name(plan.pipelines[0])
    reason = runner.refusal(known)
    if reason is not None:
        raise ConfigError(f"{bay.path}: {reason}")
    rows: list[dict[str, Any]] = []
    first = None
    for case in plan.cases():
        T_true = pose_of_view(view_of_case(case, plan, setting.camera), setting.camera)
        picture = _taken(case, T_true, setting, plan, scene, known)
        seen = Observation(picture, setting.camera, known, setting.imaging.sensor)
        detection, estimate = runner.run(seen)
        row = {"key": case.key} | score(T_true, detection, estimate)
        first = (picture, T_true) if first is None else first
        if scene.lean_deg is not None and row["outcome"] == "ok":
            off = _in_bay(bay, scene.lean_deg, T_true, estimate.T_camera_target_est)
            row |= {"err_camber_deg": float(off[0]), "err_toe_deg": float(off[2])}
        rows.append(row)
    assert first is not None  # a plan has one trial or more
    return _illustrated(scene, setting, plan, first, rows)


def _taken(
    case: Case, T_true: Pose, setting: Setting, plan: Plan, scene: Scene, known: Target
) -> Picture:
    """Return the picture of a case; what covers a face lies on the bay's own print."""
    rng, camera, imaging = noise_rng(case, plan.seed), setting.camera, setting.imaging
    if setting.built is None:
        return render_target(setting.target, T_true, camera, imaging, rng)
    drawing, sizes = known.drawing, setting.built
    bay = bay_of_case(case, plan, sizes)
    moment = draw_moment(sizes, plan.seed, case.key, drawing)
    face = target_of(replace(known, drawing=own_face(drawing, bay)), scene.covers).drawing
    return built_picture(drawing, T_true, camera, imaging, sizes, bay, moment, rng, face)


def own_view(plan: Plan) -> Scene:
    """Return the scene of a plan's own view, drawn from where its larger angle shows."""
    turn, pitch = plan.turns_deg[0], plan.pitches_deg[0]
    return Scene(
        OWN_SET,
        OWN_NAME,
        turn_deg=turn,
        pitch_deg=pitch,
        diagram="side" if abs(pitch) > abs(turn) else "above",
    )


def numbers_of(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return outcomes and errors of scored cases; errors over usable ones only."""
    usable = [row for row in rows if row["outcome"] == "ok"]
    counts = Counter(str(row["outcome"]) for row in rows)
    found: dict[str, Any] = {
        "n": len(rows),
        "usable": len(usable),
        "missed": counts["missed"] + counts["wrong_id"],
        "mirrored": counts["mirrored"],
        "unsure": counts["ambiguous"] + counts["not_finite"] + counts["unexplained"],
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
    """Return the error (3,) about the bay's axes, degrees, of who doesn't know of the lean."""
    assert T_est is not None  # an usable estimate has a pose
    tower = bay.towers[0]
    R_true = leaning(tower, lean_deg).rotation @ T_true.rotation
    R_est = tower.T_bay_camera.rotation @ T_est.rotation
    return np.degrees(log_rotation(R_est @ R_true.T))


def _tower_numbers(scene: Scene, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return mean and RMS of what a lean does: about the bay's x to camber, about z to toe."""
    if scene.lean_deg is None:
        return {}
    usable = [row for row in rows if row["outcome"] == "ok"]
    camber = np.array([row["err_camber_deg"] for row in usable])
    toe = np.array([row["err_toe_deg"] for row in usable])
    return {
        "mean_camber_deg": float(abs(np.mean(camber))) if usable else None,
        "rms_camber_deg": float(np.sqrt(np.mean(camber**2))) if usable else None,
        "rms_toe_deg": float(np.sqrt(np.mean(toe**2))) if usable else None,
    }


# Columns of a case that a sidecar shows.
SHOWN = ("key", "outcome", "err_rot_deg", "err_along_mm", "err_camber_deg", "err_toe_deg")


def _illustrated(
    scene: Scene,
    setting: Setting,
    plan: Plan,
    first: tuple[Picture, Pose],
    rows: list[dict[str, Any]],
) -> Illustrated:
    nominal = nominal_pose(plan, setting.camera)
    outline = outline_of(setting, nominal)
    pixels = outline * (setting.camera.width, setting.camera.height) - 0.5
    return Illustrated(
        scene=scene,
        tower=plan.tower,
        pipeline=plan.pipelines[0],
        seed=plan.seed,
        setting=setting,
        picture=first[0],
        T_camera_target=first[1],
        range_m=plan.ranges_m[0],
        turn_deg=plan.turns_deg[0],
        pitch_deg=plan.pitches_deg[0],
        tilt_deg=math.degrees(tilt_of_pose(nominal)),
        size_px=setting.camera.fx * setting.target.drawing.width / plan.ranges_m[0],
        margin_px=edge_room(pixels, setting.camera),
        outline=outline,
        cases=tuple({name: row[name] for name in SHOWN if name in row} for row in rows),
        numbers=numbers_of(rows)
        | {"roll_spread_deg": plan.roll_spread_deg, "as_built": setting.built is not None}
        | _tower_numbers(scene, rows),
        digests=setting.digests() | {"plan": plan.digest},
    )


def nominal_pose(plan: Plan, camera: Camera) -> Pose:
    """Return T_camera_target of a plan's first cell without its variation."""
    case = plan.case(0)
    view = View(
        range_m=case.range_m,
        turn=math.radians(case.turn_deg),
        pitch=math.radians(case.pitch_deg),
        roll=math.radians(plan.roll_deg),
        pixel=position_pixel(position_of_case(case, plan), camera),
    )
    return pose_of_view(view, camera)


def outline_of(setting: Setting, T_camera_target: Pose) -> np.ndarray:
    """Return the plate's corners (4, 2) as fractions of the frame, across and down."""
    plate = np.column_stack((setting.target.drawing.outline, np.zeros(4)))
    pixels = project(plate, T_camera_target, setting.camera)
    return (pixels + 0.5) / (setting.camera.width, setting.camera.height)
