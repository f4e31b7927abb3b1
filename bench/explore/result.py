"""From a state to everything that the page shows of it: pure, the same for the same state."""

from __future__ import annotations

import math
from typing import Any

from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.errors import BenchError, GeometryError, PlugInError
from bench.explore import drawing
from bench.explore.bounds import Best, best_of
from bench.explore.comparison import rival_of
from bench.explore.controls import AS_BUILT
from bench.explore.place import Place, job_of
from bench.explore.state import Problem, State, StateError
from bench.explore.words import OUTCOMES, error_words, judge_bound, parts_words
from bench.geometry.pose import Pose
from bench.geometry.viewing import pose_of_view, tilt_of_pose, view_of_pose
from bench.imaging.picture import Picture, Region, png
from bench.imaging.region import region_of
from bench.pages import data_url
from bench.render.planar import MARGIN_PX
from bench.solve.estimate import Estimate, Outcome
from bench.solve.pipeline import Pipeline
from bench.survey.plan import view_of_case
from bench.survey.score import Row, score
from bench.survey.setting import Setting
from bench.survey.setup import request_of_bay
from bench.survey.truth import parts_columns, truth_columns
from bench.survey.verdicts import Request
from bench.survey.worker import picture_of_case
from bench.typing import Array

# Name on the page, column of a case without its prefix, unit.
COMPONENTS = (
    ("Turn", "rot_y_deg", "deg"),
    ("Pitch", "rot_x_deg", "deg"),
    ("Roll", "rot_z_deg", "deg"),
    ("Right", "right_mm", "mm"),
    ("Up", "up_mm", "mm"),
    ("Along the line of sight", "along_mm", "mm"),
)


def compute(state: State, place: Place) -> dict[str, Any]:
    """Return what the page shows of a state, as JSON can hold it.

    Raises
    ------
    StateError
        The state can't be shown; names the control, its value and what would be taken.
    """
    job = job_of(state, place)
    setting, case = job.setting, job.plan.case(0)
    try:
        view = view_of_case(case, job.plan, setting.camera)
        T_true = pose_of_view(view, setting.camera)
        picture = picture_of_case(case, job)
    except BenchError as error:
        raise _unseen(error) from error
    detection, estimate, fault = _run(place.pipelines[state.pipeline], setting, picture)
    parts, response = parts_columns(case, T_true, job.plan, setting)
    row = truth_columns(case, view, T_true, setting) | parts
    row |= score(T_true, detection, estimate)
    # through lenses that aren't Gaussian the bound takes far longer than the picture
    waits = not setting.imaging.optics.is_gaussian
    best = Best() if waits else best_of(T_true, setting, picture.region, response)
    return {
        "bound_waits": waits,
        "permalink": state.permalink(),
        "key": case.key,
        "seed": job.plan.seed,
        "target": setting.target.name,
        "picture": _picture(setting, T_true, picture),
        "truth": {name: row[f"{name}_true_deg"] for name in ("turn", "pitch", "roll", "tilt")}
        | {name: row[name] for name in ("range_true_m", "u_true_px", "v_true_px", "size_px")}
        | {"whole": row["whole"]},
        "detection": {
            "found": str(detection.found),
            "n_points": len(detection.pixels),
            "points": drawing.in_picture(detection.pixels, picture) or [],
            "ids": list(detection.marker_ids),
        },
        "outcome": row["outcome"],
        "outcome_words": fault or OUTCOMES[str(row["outcome"])],
        "solutions": _solutions(estimate, setting, picture),
        "errors": _errors(row, best),
        "judgement": _judgement(row, best, state, place),
        "row": row,
        "rival": rival_of(state, place),
    }


def coarse(state: State, place: Place) -> dict[str, Any]:
    """Return the picture of a state alone, by a lens of Gaussian blur, sharp and at rest.

    What to look at while the state's own is computed; raises as `compute`.
    """
    job = job_of(state.with_gaussian(state.blur_px), place)
    try:
        picture = picture_of_case(job.plan.case(0), job)
        T_true = pose_of_view(
            view_of_case(job.plan.case(0), job.plan, job.setting.camera), job.setting.camera
        )
    except BenchError as error:
        raise _unseen(error) from error
    return _picture(job.setting, T_true, picture)


def bound(state: State, place: Place) -> dict[str, Any]:
    """Return the part of `compute` that speaks of the bound, which may take a second.

    Raises
    ------
    StateError
        As `compute`.
    """
    best = best_bound(state, place)
    return {
        "sigma": {} if best.bound is None else {n: best.bound.sigma[c] for n, c, _ in COMPONENTS},
        **_best(best, state, request_of_bay(place.bay)),
    }


def best_bound(state: State, place: Place, ratio: float = 1.0) -> Best:
    """Return the bound of a state's view, and what its bay allows; raises as `compute`.

    `ratio` is of a pipeline's errors over the bound.
    """
    return best_of(*seen(state, place), ratio)


def seen(state: State, place: Place) -> tuple[Pose, Setting, Region, Array | None]:
    """Return what `bench.explore.bounds.best_of` takes of a view; raises as `compute`."""
    job = job_of(state, place)
    setting, case = job.setting, job.plan.case(0)
    try:
        T_true = pose_of_view(view_of_case(case, job.plan, setting.camera), setting.camera)
        region = region_of(setting.target.drawing, T_true, setting.camera, MARGIN_PX)
    except BenchError as error:
        raise _unseen(error) from error
    return T_true, setting, region, parts_columns(case, T_true, job.plan, setting)[1]


def _run(
    pipeline: Pipeline, setting: Setting, picture: Picture
) -> tuple[Detection, Estimate, str | None]:
    """Run a pipeline; a plug-in that breaks counts as no finite answer, as in a survey."""
    observation = Observation(picture, setting.camera, setting.target, setting.imaging.sensor)
    detection = Detection(Found.MISSED)
    try:
        detection = pipeline.detect(observation)
        return detection, pipeline.solve(detection, observation), None
    except PlugInError as error:
        return detection, Estimate(Outcome.NOT_FINITE), f"The pipeline failed: {error}"


def _picture(setting: Setting, T_true: Pose, picture: Picture) -> dict[str, Any]:
    return {
        "png": data_url("image/png", png(picture.grey8, quick=True)),
        "frame": drawing.frame_marks(setting.camera, picture),
        "truth": drawing.outline(setting.target, T_true, setting.camera, picture),
    }


def _solutions(estimate: Estimate, setting: Setting, picture: Picture) -> list[dict[str, Any]]:
    """Return the chosen pose and the runner-up, as far as there are any."""
    poses = (
        ("chosen", estimate.T_camera_target_est, estimate.rmse_px),
        ("runner-up", estimate.runner_up, estimate.runner_up_rmse_px),
    )
    found = []
    for role, pose, rmse in poses:
        if pose is None:
            continue
        view = view_of_pose(pose)
        target, camera = setting.target, setting.camera
        found.append(
            {
                "role": role,
                "range_m": view.range_m,
                "turn_deg": math.degrees(view.turn),
                "pitch_deg": math.degrees(view.pitch),
                "roll_deg": math.degrees(view.roll),
                "tilt_deg": math.degrees(tilt_of_pose(pose)),
                "rmse_px": rmse if math.isfinite(rmse) else None,
                "outline": drawing.outline(target, pose, camera, picture),
                "axes": drawing.axes(target, pose, camera, picture),
            }
        )
    return found


def _errors(row: Row, best: Best) -> list[dict[str, Any]]:
    """Return error, bound and the pipeline's own claim of each component."""
    return [
        {
            "name": name,
            "unit": unit,
            "error": row.get(f"err_{column}"),
            "bound": None if best.bound is None else best.bound.sigma[column],
            "claimed": row.get(f"sigma_{column}"),
        }
        for name, column, unit in COMPONENTS
    ]


def _judgement(row: Row, best: Best, state: State, place: Place) -> dict[str, Any]:
    request = request_of_bay(place.bay)
    error = row.get("err_rot_deg")
    assert error is None or isinstance(error, float)
    claims = [row.get(f"sigma_rot_{axis}_deg") for axis in "xyz"]
    claim = None if None in claims else math.hypot(*(float(one or 0.0) for one in claims))
    single = error_words(str(row["outcome"]), error, claim, request.within_deg)
    return {
        "tolerance_deg": request.within_deg,
        "error_deg": error,
        "claim_deg": claim,
        "verdict": single.verdict,
        "words": single.words,
        "parts_words": parts_words(row),
        **_best(best, state, request),
    }


def _best(best: Best, state: State, request: Request) -> dict[str, Any]:
    judged = judge_bound(best.allowed, request, state.bay == AS_BUILT)
    return {
        "bound_deg": None if best.bound is None else best.bound.rotation_deg,
        "allowed_deg": None if best.allowed is None else best.allowed.rotation_deg,
        "bound_verdict": judged.verdict,
        "bound_words": judged.words,
    }


def _unseen(error: BenchError) -> StateError:
    text = str(error).rstrip(".")
    control = "focus_m" if "focus" in text else ""
    start = "There is nothing to see" if isinstance(error, GeometryError) else "Not possible"
    return StateError(Problem(control, f"{start}: {text}."))
