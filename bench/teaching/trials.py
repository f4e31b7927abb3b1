"""The numbers of a teaching picture: many pictures of its scene through a real pipeline."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from bench.built.draws import Moment, OneBay, draw_moment
from bench.built.picture import built_picture, own_face
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.digest import content_digest, key_digest
from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import View, pose_of_view, tilt_of_pose
from bench.imaging.picture import Picture
from bench.render.planar import render_target
from bench.scene.model import Bay
from bench.solve.pipeline import pipeline_from_name
from bench.survey.plan import Plan, noise_rng, position_of_case, position_pixel, view_of_case
from bench.survey.score import score
from bench.survey.setting import Setting, check_plan
from bench.survey.truth import bay_of_case
from bench.targets.target import Target
from bench.teaching.scenes import OWN_NAME, OWN_SET, Scene
from bench.teaching.views import edge_room, sought, spoilt, turn_in_bay
from bench.typing import Array

Rows = Sequence[dict[str, Any]]
# Columns of a case that a sidecar shows, and that its numbers come from.
SHOWN = (
    "key", "outcome", "err_rot_deg", "err_along_mm", "err_camber_deg", "err_toe_deg", "rmse_px",
    "runner_up_rmse_px", "alarms",
)  # fmt: skip


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
        What the camera sees in the nominal view, as the first trial's bay has camera and plate:
        roll, place, light and noise are the same in all pictures of a set. Of a view of one's own
        it is the first trial's.
    T_camera_target : Pose
        Target to camera in that picture.
    found : mapping of (float, float) to (float, float)
        Where the detector put points of the face, metres, in that picture, pixels.
    range_m, turn_deg, pitch_deg, tilt_deg : float
        Nominal view.
    size_px, margin_px : float
        Of the plate face-on, and its room to the frame's edge.
    outline : (4, 2) float
        The plate's corners in the frame, fractions across and down.
    cases : tuple of dict
        What the numbers come from, in order: key, outcome and errors of each.
    made_of : str
        Digest of all that decides `cases`.
    numbers : dict
        What was found; see `numbers_of` and `registered`. None where there is no number.
    digests : dict of str to str
        Of camera, imaging and target.
    T_before : Pose or None
        Where the target was before it slipped.
    T_bay_bar : Pose or None
        How the bar was meant to stand in that picture.
    reference : Illustrated or None
        The set's good view, which this one is compared with.
    """

    scene: Scene
    tower: str
    pipeline: str
    seed: int
    setting: Setting
    picture: Picture
    T_camera_target: Pose
    found: Mapping[tuple[float, float], tuple[float, float]]
    range_m: float
    turn_deg: float
    pitch_deg: float
    tilt_deg: float
    size_px: float
    margin_px: float
    outline: Array
    cases: tuple[dict[str, Any], ...]
    made_of: str = ""
    numbers: dict[str, Any] = field(default_factory=dict)
    digests: dict[str, str] = field(default_factory=dict)
    T_before: Pose | None = None
    T_bay_bar: Pose | None = None
    reference: Illustrated | None = None

    @property
    def same_view(self) -> bool:
        """Whether the good view has the target in the very same place."""
        other = self.reference
        return other is not None and bool(
            np.allclose(other.T_camera_target.matrix, self.T_camera_target.matrix, atol=1e-9)
        )


def illustrate_plan(
    bay: Bay,
    setting: Setting,
    plan: Plan,
    scene: Scene | None = None,
    stored: Mapping[str, Rows] | None = None,
) -> Illustrated:
    """Run a pipeline on a view's pictures, and take one of the nominal view.

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
    stored : mapping of str to sequence of dict, optional
        Cases that are known already, by `Illustrated.made_of`.

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
    # what it looks for: without the dirt of a scene
    known = setting.target if scene is None else sought(bay.target, scene)
    printed = setting.target if scene is None else bay.target
    scene = own_view(plan) if scene is None else scene
    runner = pipeline_from_name(plan.pipelines[0])
    reason = runner.refusal(known)
    if reason is not None:
        raise ConfigError(f"{bay.path}: {reason}")
    made_of = content_digest((plan.digest, repr(scene.content), bay.digest))
    rows = list((stored or {}).get(made_of, ()))
    camera, sensor = setting.camera, setting.imaging.sensor
    first: tuple[Picture, Pose] | None = None
    for case in plan.cases() if not rows else ():
        T_true = pose_of_view(view_of_case(case, plan, camera), camera)
        rng, built = noise_rng(case, plan.seed), None
        if setting.built is not None:
            moment = draw_moment(setting.built, plan.seed, case.key, printed.drawing)
            built = (bay_of_case(case, plan, setting.built), moment)
        picture = _taken(T_true, setting, scene, printed, rng, built)
        detection, estimate = runner.run(Observation(picture, camera, known, sensor))
        row = {"key": case.key} | score(T_true, detection, estimate)
        if scene.astray and row["outcome"] == "ok":
            assert estimate.T_camera_target_est is not None  # an usable estimate has a pose
            R_est = estimate.T_camera_target_est.rotation
            off = np.degrees(log_rotation(turn_in_bay(bay, scene, T_true.rotation, R_est)))
            row |= {"err_camber_deg": float(off[0]), "err_toe_deg": float(off[2])}
        rows.append({name: row[name] for name in SHOWN if name in row})
        if first is None:
            first = (picture, T_true)
    nominal = nominal_pose(plan, camera)
    if first is None or scene.set != OWN_SET:
        rng, built = np.random.default_rng([plan.seed, key_digest("shown")]), None
        if setting.built is not None:
            even = Moment(1.0, (0.0, 0.0), None, np.empty((0, 3)))
            built = (bay_of_case(plan.case(0), plan, setting.built), even)
        first = (_taken(nominal, setting, scene, printed, rng, built), nominal)
    picture, T_shown = first
    detection = runner.detect(Observation(picture, camera, known, sensor))
    outline = outline_of(setting, nominal)
    pixels = outline * (camera.width, camera.height) - 0.5
    return Illustrated(
        scene=scene,
        tower=plan.tower,
        pipeline=plan.pipelines[0],
        seed=plan.seed,
        setting=setting,
        picture=picture,
        T_camera_target=T_shown,
        found=points_of(detection),
        range_m=plan.ranges_m[0],
        turn_deg=plan.turns_deg[0],
        pitch_deg=plan.pitches_deg[0],
        tilt_deg=math.degrees(tilt_of_pose(nominal)),
        size_px=camera.fx * setting.target.drawing.width / plan.ranges_m[0],
        margin_px=edge_room(pixels, camera),
        outline=outline,
        cases=tuple(rows),
        made_of=made_of,
        numbers=numbers_of(rows)
        | {"roll_spread_deg": plan.roll_spread_deg, "as_built": setting.built is not None},
        digests=setting.digests() | {"plan": plan.digest},
    )


def _taken(
    T_true: Pose,
    setting: Setting,
    scene: Scene,
    printed: Target,
    rng: np.random.Generator,
    built: tuple[OneBay, Moment] | None,
) -> Picture:
    """Return a picture; what covers a face lies on the bay's own print."""
    camera, imaging, drawing = setting.camera, setting.imaging, printed.drawing
    if built is None or setting.built is None:
        return render_target(setting.target, T_true, camera, imaging, rng)
    bay, moment = built
    if scene.twist:
        bay = replace(bay, plate=bay.plate + (0.0, 0.0, scene.twist))
    face = spoilt(printed, scene, own_face(drawing, bay))
    return built_picture(drawing, T_true, camera, imaging, setting.built, bay, moment, rng, face)


def points_of(detection: Detection) -> dict[tuple[float, float], tuple[float, float]]:
    """Return where points of the face, metres, were found in a picture, pixels."""
    pairs = zip(detection.p_target, detection.pixels, strict=True)
    return {
        (float(p[0]), float(p[1])): (float(uv[0]), float(uv[1]))
        for p, uv in pairs
        if detection.found is Found.FOUND
    }


def own_view(plan: Plan) -> Scene:
    """Return the scene of a plan's own view."""
    turn, pitch = plan.turns_deg[0], plan.pitches_deg[0]
    angles = {"turn": f"{turn!r} deg", "pitch": f"{pitch!r} deg"}
    return Scene.model_validate({"set": OWN_SET, "name": OWN_NAME} | angles)


def numbers_of(rows: Rows) -> dict[str, Any]:
    """Return outcomes and errors of scored cases; errors over usable ones only."""
    usable = [row for row in rows if row["outcome"] == "ok"]
    counts = Counter(str(row["outcome"]) for row in rows)
    found: dict[str, Any] = {
        "n": len(rows),
        "usable": len(usable),
        "missed": counts["missed"],
        "wrong_id": counts["wrong_id"],
        "mirrored": counts["mirrored"],
        "unsure": counts["ambiguous"] + counts["not_finite"] + counts["unexplained"],
        "rmse_px": _median(rows, "rmse_px"),
        "runner_up_rmse_px": _median(rows, "runner_up_rmse_px"),
    }
    for name in ("rot_deg", "along_mm", "camber_deg", "toe_deg"):
        errors = [row[f"err_{name}"] for row in usable if f"err_{name}" in row]
        found[f"rms_{name}"] = float(np.sqrt(np.mean(np.square(errors)))) if errors else None
    return found


def _median(rows: Rows, name: str) -> float | None:
    values = [row[name] for row in rows if row.get(name) is not None]
    return float(np.median(values)) if values else None


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


def outline_of(setting: Setting, T_camera_target: Pose) -> Array:
    """Return the plate's corners (4, 2) as fractions of the frame, across and down."""
    plate = np.column_stack((setting.target.drawing.outline, np.zeros(4)))
    pixels = project(plate, T_camera_target, setting.camera)
    return np.asarray((pixels + 0.5) / (setting.camera.width, setting.camera.height))
