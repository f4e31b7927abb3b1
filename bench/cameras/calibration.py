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
from bench.cameras.intrinsics_views import OUTSTANDING, coverage_counts, reach, view_scores
from bench.cameras.model_choice import (
    SHAPE_WORDS,
    Candidate,
    Choice,
    Freedom,
    choose,
    claimed,
)
from bench.cameras.projection_uncertainty import projection_map, projection_words
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
    Column("likelihood_p", pl.Float64, "", "likelihood ratio against the fullest"),
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
    rows = [*zip(*columns, strict=True), *_shape_rows(run)]
    return pl.DataFrame(rows, schema=schema(PARAMETER_COLUMNS), orient="row")


def _shape_rows(run: CalibrationRun) -> list[tuple[str, float, float, float | None]]:
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
        "likelihood_p": candidate.likelihood_p,
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


def summary(run: CalibrationRun, board: str) -> list[str]:
    """Return what the calibration says, a line each."""
    calibration, camera = run.calibration, run.calibration.camera
    points = sum(len(view.pixels) for view in run.views)
    tilts = [math.degrees(tilt_of_pose(pose)) for pose in calibration.poses]
    counts = coverage_counts(run.views, (camera.width, camera.height))
    by_name = dict(zip(calibration.names, _with_uncertainty(calibration), strict=True))
    lines = [
        f"{board}: {len(run.views)} of {len(run.sightings)} views used, "
        f"{points} points, tilts {min(tilts):.0f} to {max(tilts):.0f} deg",
        f"focal length fx {by_name['fx']}, fy {by_name['fy']} px; "
        f"principal point {by_name['cx']}, {by_name['cy']} px",
        f"residual {calibration.rmse_px:.3f} px RMS a point, {calibration.sigma_px:.3f} px a "
        f"coordinate; points lie in {np.count_nonzero(counts)} of {counts.size} parts of the "
        f"frame and reach {100 * reach(run.views, calibration):.0f} % of the way to its corners",
    ]
    return [
        *lines,
        *search_words(run.sightings),
        *run.choice.words,
        *_claims(run),
        *_outstanding(run),
    ]


def _claims(run: CalibrationRun) -> list[str]:
    """Return what is claimed of the board's shape and of projected points, and how widened."""
    calibration, lines = run.calibration, []
    if len(calibration.shape):
        sizes = ", ".join(
            f"{name.replace('_', ' ')} {1e3 * value:+.3f} ± {1e3 * u:.3f} mm"
            for name, value, u, _ in _shape_rows(run)
        )
        lines.append(f"the board is {SHAPE_WORDS[len(calibration.shape)]}: {sizes} at its corners")
    lens, board = calibration.widening, calibration.shape_widening
    if max(lens, board) > 1.0:
        shape = f", the board's shape's by {board:.2f}" if len(calibration.shape) else ""
        lines.append(
            "errors within a view aren't independent: leaving views out one at a time widens the "
            f"lens's standard uncertainties by {lens:.2f}{shape}"
        )
    lines.append(projection_words(projection_map(calibration, columns=12)))
    if run.wide is not None:
        lines.append(run.wide.words)
    return lines


def search_words(sightings: Sequence[Sighting]) -> list[str]:
    """Return in which ways the board was read, and why it wasn't in the pictures without."""
    lines = []
    for how in dict.fromkeys(s.how for s in sightings if s.how):
        own = [s.view.name for s in sightings if s.how == how]
        lines.append(f"{len(own)} of {len(sightings)} pictures were read as {how}")
    for sighting in sightings:
        if not sighting.used:
            why = f": {sighting.reason}" if sighting.reason else ""
            outcome = sighting.outcome.replace("_", " ")
            lines.append(f"{sighting.view.name}: not used, {outcome}{why}")
    return lines


def _with_uncertainty(calibration: Calibration) -> list[str]:
    pairs = zip(calibration.values, calibration.standard_uncertainties, strict=True)
    return [f"{value:.2f} ± {u:.2f}" if u > 0.0 else f"{value:.2f} (held)" for value, u in pairs]


def _outstanding(run: CalibrationRun) -> list[str]:
    if not run.outstanding:
        return ["no view stands out"]
    rmse = run.calibration.view_rmse_px
    worst = ", ".join(f"{run.views[i].name} ({rmse[i]:.2f} px)" for i in run.outstanding)
    line = f"stands out: {worst}, where the median is {np.median(rmse):.2f} px"
    if run.trimmed is None:
        return [line]
    moved = run.trimmed.values - run.calibration.values
    claimed = run.calibration.standard_uncertainties
    shift = max(
        (m / u, name)
        for m, u, name in zip(abs(moved), claimed, run.calibration.names, strict=True)
        if u > 0.0
    )
    focal = run.trimmed.camera.fy
    return [
        f"{line}; without it fy is {focal:.2f} px, the residual {run.trimmed.rmse_px:.3f} px, and "
        f"{shift[1]} moves by {shift[0]:.1f} of its standard uncertainties"
    ]
