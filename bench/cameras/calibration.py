"""A camera calibrated from pictures of a board: what was found, as tables and in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from bench.cameras.adjustment import BoardView
from bench.cameras.board_search import search
from bench.cameras.intrinsics import (
    MIN_POINTS,
    MIN_VIEWS,
    SHAPE_NAMES,
    Calibration,
    calibrate,
)
from bench.cameras.intrinsics_views import OUTSTANDING, view_scores
from bench.cameras.model_choice import (
    Candidate,
    Choice,
    Freedom,
    choose,
    claimed,
)
from bench.cameras.wide_lenses import MOST_RMSE_PX, WideLens, describing_family, wide_lens
from bench.detect.detection import Detector, Found
from bench.errors import GeometryError, PictureError
from bench.geometry.lens_models import BROWN
from bench.geometry.viewing import tilt_of_pose, view_of_pose
from bench.imaging.picture import Picture
from bench.survey.columns import Column, schema
from bench.targets.target import Target
from bench.typing import Array

ONLY_WIDE = "Brown-Conrady's model can't describe this lens; OpenCV's {} model does"

PARAMETER_COLUMNS = (
    Column(
        "parameter",
        pl.String,
        "",
        "fx, fy, cx, cy in pixels; k1, k2, p1, p2, k3 (k4 to k6 of a rational lens, k4 of a "
        "fisheye) without unit; bow_across, bow_up, twist of the board in metres",
    ),
    Column("value", pl.Float64, "", "estimate, or the value that it was held at"),
    Column(
        "standard_uncertainty",
        pl.Float64,
        "",
        "null where an option held it; held by choice it isn't known to be 0",
    ),
    Column("without_outstanding", pl.Float64, "", "estimate from the other views alone"),
)

MODEL_COLUMNS = (
    Column("compared", pl.String, "", "lens or board"),
    Column("free", pl.String, "", "what is free of lens and board"),
    Column("n_free", pl.Int64, "", "how many numbers"),
    Column("held_out_px", pl.Float64, "px", "RMS distance from the prediction by the other views"),
    Column("excess", pl.Float64, "px²", "mean squared distance over the best's"),
    Column("standard_error", pl.Float64, "px²", "of the excess, over views"),
    Column("as_good", pl.Boolean, "", "excess within one standard error"),
    Column("chosen", pl.Boolean, "", "the simplest of these"),
)

VIEW_COLUMNS = (
    Column("picture", pl.String, "", "the picture file"),
    Column("outcome", pl.String, "", "used, or why not: missed, wrong_id, too_few_points"),
    Column("reason", pl.String, "", "in which way it was read, or why it likely wasn't"),
    Column("n_points", pl.Int64, "", "points of the board that were found"),
    Column(
        "rmse_px", pl.Float64, "px", "root mean square distance of a point from its prediction"
    ),
    Column("left_out_rmse_px", pl.Float64, "px", "the same with intrinsics from the other views"),
    Column("max_px", pl.Float64, "px", "largest of these distances"),
    Column("score", pl.Float64, "", "modified z-score of ln left_out_rmse among the views"),
    Column("stands_out", pl.Boolean, "", f"score above {OUTSTANDING}"),
    Column("range_m", pl.Float64, "m", "camera centre to board centre"),
    Column("tilt_deg", pl.Float64, "deg", "angle between the board's normal and line of sight"),
    Column("turn_deg", pl.Float64, "deg", "turn about the board's own y"),
    Column("pitch_deg", pl.Float64, "deg", "pitch about the board's own x"),
    Column("roll_deg", pl.Float64, "deg", "roll about the line of sight"),
)


@dataclass(frozen=True, eq=False)
class Sighting:
    """What came of looking for the board in one picture.

    Attributes
    ----------
    view : BoardView
        Name and points; empty where the board wasn't found.
    outcome : str
        ``used``, ``missed``, ``wrong_id`` or ``too_few_points``.
    how : str
        In which way the board was read, where not as given (`bench.cameras.board_search`).
    reason : str
        Why it likely wasn't found.
    """

    view: BoardView
    outcome: str
    how: str = ""
    reason: str = ""

    @property
    def used(self) -> bool:
        """Whether the picture takes part in the calibration."""
        return self.outcome == "used"


@dataclass(frozen=True, eq=False)
class CalibrationRun:
    """A calibration, its pictures, and the same without the views that stand out.

    Attributes
    ----------
    sightings : tuple of Sighting
        Of all pictures, used or not.
    calibration : Calibration
        From all that are used.
    scores : (V,) float64
        Of the used views, see `bench.cameras.intrinsics_views.view_scores`.
    trimmed : Calibration or None
        Without the views that stand out; None where none does, or too few are left.
    choice : Choice
        Of the model, and why.
    wide : WideLens or None
        Another family of lenses where Brown-Conrady's residuals ask for it.
    """

    sightings: tuple[Sighting, ...]
    calibration: Calibration
    scores: Array
    trimmed: Calibration | None
    choice: Choice
    wide: WideLens | None = None

    @property
    def views(self) -> list[BoardView]:
        """The views that were used, in order."""
        return [s.view for s in self.sightings if s.used]

    @property
    def outstanding(self) -> list[int]:
        """Which of the used views stand out."""
        return [i for i, score in enumerate(self.scores) if score > OUTSTANDING]


def look_for_board(name: str, picture: Picture, board: Target, detector: Detector) -> Sighting:
    """Return what a detector finds of the board in a picture."""
    found = search(picture, board, detector)
    detection = found.detection
    view = BoardView(name, detection.pixels, detection.p_target)
    if detection.found is not Found.FOUND:
        return Sighting(view, str(detection.found))
    outcome = "used" if len(view.pixels) >= MIN_POINTS else "too_few_points"
    return Sighting(view, outcome, found.how)


def calibrate_from(
    sightings: Sequence[Sighting], size: tuple[int, int], freedom: Freedom
) -> CalibrationRun:
    """Calibrate from the pictures in which the board was found.

    Parameters
    ----------
    sightings : sequence of Sighting
        Of all pictures.
    size : (int, int)
        Of the pictures, pixels.
    freedom : Freedom
        What is held, and what the views may choose. Where Brown-Conrady's model can't describe
        them and a wide lens's does, it is taken and said.

    Raises
    ------
    PictureError
        Fewer than three such pictures.
    GeometryError
        The views don't determine the camera.
    """
    used = [s.view for s in sightings if s.used]
    if len(used) < MIN_VIEWS:
        reasons = list(dict.fromkeys(s.reason for s in sightings if s.reason))
        raise PictureError(
            f"the board was found in {len(used)} of {len(sightings)} pictures, "
            f"and a calibration needs it in at least {MIN_VIEWS}"
            + (f": {'; '.join(reasons)}" if reasons else "")
        )
    try:
        choice = choose(used, size, freedom)
        calibration = calibrate(used, size, choice.model, choice.shape)
    except GeometryError:
        family = describing_family(used, size) if freedom.family == BROWN else None
        if family is None:
            raise
        return _wide_instead(sightings, size, freedom, family)
    if freedom.family == BROWN and calibration.rmse_px > MOST_RMSE_PX:
        family = describing_family(used, size, 0.5 * calibration.rmse_px)
        if family is not None:
            return _wide_instead(sightings, size, freedom, family)
    scores = view_scores(calibration)
    kept = [view for view, score in zip(used, scores, strict=True) if score <= OUTSTANDING]
    trimmed = None
    if MIN_VIEWS <= len(kept) < len(used):
        try:
            trimmed = calibrate(kept, size, choice.model, choice.shape)
        except GeometryError:  # the views that stand out were the ones that mattered
            trimmed = None
    wide = wide_lens(used, calibration) if freedom.family == BROWN else None
    calibration = claimed(calibration, used, size, choice)
    return CalibrationRun(tuple(sightings), calibration, scores, trimmed, choice, wide)


def _wide_instead(
    sightings: Sequence[Sighting], size: tuple[int, int], freedom: Freedom, family: str
) -> CalibrationRun:
    """Return the calibration of another family, and why."""
    found = calibrate_from(sightings, size, replace(freedom, family=family))
    words = (ONLY_WIDE.format(family), *found.choice.words)
    return replace(found, choice=replace(found.choice, words=words))


def parameters_table(run: CalibrationRun) -> pl.DataFrame:
    """Return the table of parameters."""
    held = run.calibration.standard_uncertainties == 0.0
    sigmas = [
        None if h else s for h, s in zip(held, run.calibration.standard_uncertainties, strict=True)
    ]
    names = run.calibration.names
    without = [None] * len(names) if run.trimmed is None else run.trimmed.values.tolist()
    columns = (names, run.calibration.values.tolist(), sigmas, without)
    rows = [*zip(*columns, strict=True), *shape_rows(run)]
    return pl.DataFrame(rows, schema=schema(PARAMETER_COLUMNS), orient="row")


def shape_rows(run: CalibrationRun) -> list[tuple[str, float, float, float | None]]:
    """Return name, size, standard uncertainty and size without outliers of the shape, metres."""
    shape, sigmas = run.calibration.shape.tolist(), run.calibration.shape_uncertainties.tolist()
    without = [None] * len(shape) if run.trimmed is None else run.trimmed.shape.tolist()
    names = SHAPE_NAMES[: len(shape)]
    return list(zip(names, shape, sigmas, without, strict=True))


def models_table(run: CalibrationRun) -> pl.DataFrame:
    """Return the table of models that were compared, the simplest first."""
    choice = run.choice
    rows = [
        _model_row(what, candidate, choice)
        for what, candidates in (("lens", choice.lenses), ("board", choice.shapes))
        for candidate in candidates
    ]
    return pl.DataFrame(rows, schema=schema(MODEL_COLUMNS))


def _model_row(what: str, candidate: Candidate, choice: Choice) -> dict[str, object]:
    calibration = candidate.calibration
    tied = {"fy": "fx=fy"} if calibration.model.square_pixels else {}
    square = [tied.get(name, name) for name in calibration.model.free]
    return {
        "compared": what,
        "free": " ".join((*square, *SHAPE_NAMES[: len(calibration.shape)])),
        "n_free": calibration.n_free,
        "held_out_px": candidate.held_out_px,
        "excess": candidate.excess,
        "standard_error": candidate.standard_error,
        "as_good": candidate.as_good,
        "chosen": (calibration.model, len(calibration.shape)) == (choice.model, choice.shape),
    }


def views_table(run: CalibrationRun) -> pl.DataFrame:
    """Return the table of pictures, in their order."""
    calibration = run.calibration
    fitted = iter(
        zip(
            calibration.poses,
            calibration.residuals,
            calibration.left_out_rmse_px,
            run.scores,
            strict=True,
        )
    )
    rows = []
    for sighting in run.sightings:
        row: dict[str, object] = {
            "picture": sighting.view.name,
            "outcome": sighting.outcome,
            "reason": sighting.how or sighting.reason or None,
            "n_points": len(sighting.view.pixels),
        }
        if sighting.used:
            pose, residuals, left_out, score = next(fitted)
            view = view_of_pose(pose)
            distance = np.linalg.norm(residuals, axis=1)
            row |= {
                "rmse_px": float(np.sqrt(np.mean(distance**2))),
                "left_out_rmse_px": float(left_out),
                "max_px": float(np.max(distance)),
                "score": float(score),
                "stands_out": bool(score > OUTSTANDING),
                "range_m": view.range_m,
                "tilt_deg": math.degrees(tilt_of_pose(pose)),
                "turn_deg": math.degrees(view.turn),
                "pitch_deg": math.degrees(view.pitch),
                "roll_deg": math.degrees(view.roll),
            }
        rows.append(row)
    return pl.DataFrame(rows, schema=schema(VIEW_COLUMNS))
