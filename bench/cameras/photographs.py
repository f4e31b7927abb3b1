"""Measurements of targets in photographs, of unknown truth: a row for each target looked for."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from bench.detect.detection import Detection
from bench.detect.observation import Observation
from bench.errors import GeometryError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.geometry.viewing import tilt_of_pose, view_of_pose
from bench.solve.covariance import correlation, in_facing_frame
from bench.solve.default_pipeline import is_photometric
from bench.solve.estimate import Estimate
from bench.survey.columns import Column, schema
from bench.survey.score import Row, score
from bench.tables import finite_or_none


@dataclass(frozen=True, eq=False)
class Measurement:
    """What a pipeline made of one target in one picture.

    Attributes
    ----------
    picture : str
        Name of the picture.
    pipeline : str
        Name of the pipeline.
    observation : Observation
        What the pipeline saw; its target is the one looked for.
    detection : Detection
        What the detector found.
    estimate : Estimate
        What the solver made of it.
    wheel : str or None
        Whose target it is, where a bay file's ids say so.
    unclear_bits : int or None
        Data bits of a single marker that the picture doesn't show clearly.
    read_as : str
        In which other way a board is printed, where it is; empty as drawn.
    """

    picture: str
    pipeline: str
    observation: Observation
    detection: Detection
    estimate: Estimate
    wheel: str | None = None
    unclear_bits: int | None = None
    read_as: str = ""

    @property
    def marker_id(self) -> int | None:
        """Id of the marker looked for; None for a target of several or of none."""
        markers = self.observation.target.markers
        return next(iter(markers)) if self.observation.target.kind == "marker" else None


def _numbers(unit: str, *pairs: tuple[str, str]) -> tuple[Column, ...]:
    return tuple(Column(name, pl.Float64, unit, meaning) for name, meaning in pairs)


# Correlations of the claims, in the order and the axes of the ``sigma_*`` columns.
PARTS = ("rot_x", "rot_y", "rot_z", "right", "up", "along")
CORRELATIONS = tuple(
    (f"corr_{a}_{b}", f"correlation of the claims for {a} and {b}")
    for i, a in enumerate(PARTS)
    for b in PARTS[i + 1 :]
)
# Share of a target's pixels at full scale above which a picture is called clipped, and endings of
# files whose pixels were changed to save room.
CLIPPED, LOSSY = 0.01, (".jpg", ".jpeg", ".webp")
# Standard deviations of a difference beyond which two pipelines disagree.
APART = 3.0

COLUMNS = (
    Column("picture", pl.String, "", "the picture file"),
    Column("target", pl.String, "", "the target looked for"),
    Column("marker_id", pl.Int64, "", "id of a single marker; null for boards and grids"),
    Column("wheel", pl.String, "", "whose target it is, by a bay file's ids; null without"),
    Column("pipeline", pl.String, "", "detector/solver"),
    Column("outcome", pl.String, "", "ok, missed, wrong_id, ambiguous, not_finite or unexplained"),
    Column("n_points", pl.Int64, "", "points that the detector gave the solver"),
    Column("unclear_bits", pl.Int64, "", "a single marker's bits that aren't shown clearly"),
    Column("read_as", pl.String, "", "how a board is printed, where not as drawn: legacy, light"),
    *_numbers("m", ("range_m", "camera centre to target centre")),
    *_numbers(
        "deg",
        ("tilt_deg", "angle between the target's normal and the line of sight"),
        ("turn_deg", "turn about the target's own y"),
        ("pitch_deg", "pitch about the target's own x"),
        ("roll_deg", "roll about the line of sight"),
    ),
    *_numbers(
        "m",
        ("x_m", "target centre in the camera frame, right"),
        ("y_m", "target centre in the camera frame, down"),
        ("z_m", "target centre in the camera frame, forward"),
    ),
    *_numbers(
        "deg",
        ("rotvec_x_deg", "rotation vector of R_camera_target, camera x"),
        ("rotvec_y_deg", "rotation vector of R_camera_target, camera y"),
        ("rotvec_z_deg", "rotation vector of R_camera_target, camera z"),
        ("sigma_rot_x_deg", "standard uncertainty about the target's x (pitch)"),
        ("sigma_rot_y_deg", "standard uncertainty about the target's y (turn)"),
        ("sigma_rot_z_deg", "standard uncertainty about the target's z (roll)"),
    ),
    *_numbers(
        "mm",
        ("sigma_right_mm", "standard uncertainty to the right"),
        ("sigma_up_mm", "standard uncertainty upwards"),
        ("sigma_along_mm", "standard uncertainty along the line of sight"),
    ),
    *_numbers(
        "px",
        (
            "rmse_px",
            "root mean square distance of a detected point from its prediction by the pose",
        ),
        ("runner_up_rmse_px", "the same of the second solution, where a solver gives one"),
    ),
    Column("ratio", pl.Float64, "", "runner_up_rmse_px / rmse_px; null without a second solution"),
    *_numbers(
        "deg",
        ("runner_up_turn_deg", "turn of the second solution"),
        ("runner_up_pitch_deg", "pitch of the second solution"),
    ),
    *_numbers(
        "",
        ("chi_square", "weighted squared residual of the grey values, photometric solvers"),
        ("degrees", "its degrees of freedom"),
        ("edge_chi_square", "its mean on strong boundaries, against noise alone; 1 is right"),
    ),
    *_numbers("px", ("blur_px", "standard deviation of the blur that such a solver found")),
    Column(
        "light",
        pl.String,
        "",
        "how it described light (even, free, fields over the face), and what boundaries share: "
        "ink, the blur's ellipse, skew and tails, a curve",
    ),
    *_numbers(
        "m",
        ("corners_range_m", "range by the corners that it started from"),
    ),
    *_numbers(
        "deg",
        ("corners_turn_deg", "turn by those corners"),
        ("corners_pitch_deg", "pitch by those corners"),
    ),
    *_numbers("", *CORRELATIONS),
    Column(
        "suspected",
        pl.String,
        "",
        "clipped, lossy, correlated, mosaic, contradicted: what noise alone isn't",
    ),
    Column("disagrees_with", pl.String, "", "pipelines beyond three standard deviations of both"),
    *_numbers(
        "px",
        ("u_px", "column where the target's centre appears"),
        ("v_px", "row where the target's centre appears"),
        ("size_px", "face-on size of the pattern at this range: f times extent over range"),
    ),
)


def measurement_row(measurement: Measurement) -> Row:
    """Return the row of one measurement; numbers are None where there is no pose."""
    estimate, target = measurement.estimate, measurement.observation.target
    T_est = estimate.T_camera_target_est
    # Scored against itself an estimate has no error; what stays is the split of its claims
    claims = score(T_est or Pose.identity(), measurement.detection, estimate)
    row: Row = {
        "picture": measurement.picture,
        "target": target.name,
        "marker_id": measurement.marker_id,
        "wheel": measurement.wheel,
        "pipeline": measurement.pipeline,
        "unclear_bits": measurement.unclear_bits,
        "read_as": measurement.read_as or None,
    }
    row |= {name: claims.get(name) for name in schema(COLUMNS) if name not in row}
    if T_est is None:
        return row
    camera = measurement.observation.camera
    view = view_of_pose(T_est)
    x, y, z = T_est.translation.tolist()
    rotvec = np.degrees(log_rotation(T_est.rotation)).tolist()
    centre = _centre(T_est, camera)
    row |= {
        "range_m": view.range_m,
        "tilt_deg": math.degrees(tilt_of_pose(T_est)),
        "turn_deg": math.degrees(view.turn),
        "pitch_deg": math.degrees(view.pitch),
        "roll_deg": math.degrees(view.roll),
        "x_m": x,
        "y_m": y,
        "z_m": z,
        **dict(zip(("rotvec_x_deg", "rotvec_y_deg", "rotvec_z_deg"), rotvec, strict=True)),
        "u_px": centre[0],
        "v_px": centre[1],
        "size_px": camera.fx * target.extent / view.range_m,
    }
    row |= _evidence(measurement) | _correlations(T_est, estimate)
    if estimate.runner_up is not None:
        second = view_of_pose(estimate.runner_up)
        row["runner_up_turn_deg"] = math.degrees(second.turn)
        row["runner_up_pitch_deg"] = math.degrees(second.pitch)
    return row


def _evidence(measurement: Measurement) -> Row:
    """Return what a photometric solver says beside its pose, and what its claims don't know of."""
    estimate, picture = measurement.estimate, measurement.observation.picture
    suspected = []
    if np.mean(picture.grey >= picture.full_scale) > CLIPPED:
        suspected.append("clipped")
    if measurement.picture.lower().endswith(LOSSY):
        suspected.append("lossy")
    suspected += estimate.suspected
    row: Row = {"suspected": ", ".join(suspected), "light": estimate.light or None}
    row["edge_chi_square"] = finite_or_none(estimate.edge_chi_square)
    if estimate.T_camera_target_corners is not None:
        view = view_of_pose(estimate.T_camera_target_corners)
        row |= {
            "corners_range_m": view.range_m,
            "corners_turn_deg": math.degrees(view.turn),
            "corners_pitch_deg": math.degrees(view.pitch),
        }
    return row


def _correlations(T_camera_target: Pose, estimate: Estimate) -> Row:
    """Return the correlations of the claims; none where a variance isn't positive."""
    if estimate.covariance is None or not np.all(np.diag(estimate.covariance) > 0.0):
        return {}
    found = correlation(in_facing_frame(estimate.covariance, T_camera_target))
    above = found[np.triu_indices(len(PARTS), 1)]
    return {name: float(r) for (name, _), r in zip(CORRELATIONS, above, strict=True)}


def _centre(T_camera_target: Pose, camera: Camera) -> tuple[float | None, float | None]:
    try:
        u, v = project(np.zeros((1, 3)), T_camera_target, camera)[0].tolist()
    except GeometryError:  # behind the camera, or far outside the frame
        return None, None
    return u, v


def measurements_table(rows: Iterable[Row]) -> pl.DataFrame:
    """Return the table of rows of `measurement_row`, in their order.

    Of pipelines that saw the same target in the same picture it says which disagree.
    """
    seen = list(rows)
    return pl.DataFrame(
        [row | {"disagrees_with": _disagreeing(row, seen)} for row in seen], schema=schema(COLUMNS)
    )


def _disagreeing(row: Row, rows: Sequence[Row]) -> str | None:
    """Return the pipelines whose range, turn or pitch is further off than both claims allow."""
    same = ("picture", "target", "marker_id")
    others = [
        str(other["pipeline"])
        for other in rows
        if other["pipeline"] != row["pipeline"]
        and all(other[name] == row[name] for name in same)
        and _apart(row, other)
    ]
    return ", ".join(others) or None


def _apart(row: Row, other: Row) -> bool:
    for value, sigma, scale in (
        ("range_m", "sigma_along_mm", 1e-3),
        ("turn_deg", "sigma_rot_y_deg", 1.0),
        ("pitch_deg", "sigma_rot_x_deg", 1.0),
    ):
        numbers = [r.get(name) for r in (row, other) for name in (value, sigma)]
        if any(number is None for number in numbers):
            continue
        a, s, b, t = (float(number) for number in numbers if number is not None)
        if abs(a - b) > APART * scale * math.hypot(s, t):
            return True
    return False


def measurement_words(table: pl.DataFrame) -> list[str]:
    """Return what a table of measurements says, a line each."""
    pictures = table["picture"].n_unique()
    outcomes = table.group_by("outcome").len().sort("len", "outcome", descending=[True, False])
    counted = ", ".join(
        f"{n} {str(outcome).replace('_', ' ')}" for outcome, n in outcomes.iter_rows()
    )
    names = ", ".join(table["pipeline"].unique(maintain_order=True))
    lines = [
        f"{_count(pictures, 'picture')}, {_count(len(table), 'measurement')} by {names}: {counted}"
    ]
    good = table.filter(pl.col("outcome") == "ok")
    owned = good.filter(pl.col("wheel").is_not_null())
    if len(owned):
        whose = owned.group_by("wheel", maintain_order=True).agg(pl.col("picture").n_unique())
        listed = ", ".join(f"{wheel} in {_count(n, 'picture')}" for wheel, n in whose.iter_rows())
        lines.append(f"by their ids: {listed}")
    if len(good):
        spans = [good[name].to_numpy() for name in ("range_m", "tilt_deg")]
        (nearest, farthest), (least, most) = [(s.min(), s.max()) for s in spans]
        lines.append(
            f"range {nearest:.2f} to {farthest:.2f} m, tilt {least:.1f} to {most:.1f} deg"
            + _residual_words(good)
        )
    return lines + _ways(table) + _disagreements(table)


def _ways(table: pl.DataFrame) -> list[str]:
    """Return a line for each other way in which boards are printed."""
    ways = table.filter(pl.col("read_as") != "").group_by("read_as", maintain_order=True)
    return [
        f"{_count(own['picture'].n_unique(), 'picture')} read as {how}" for (how,), own in ways
    ]


def _residual_words(good: pl.DataFrame) -> str:
    """Return residuals, those of corner pipelines apart from others': they mean something else."""
    whole = pl.col("pipeline").map_elements(is_photometric, return_dtype=pl.Boolean)
    words = ""
    for what, own in (
        ("residual", good.filter(~whole)),
        ("corners from poses by all pixels", good.filter(whole)),
    ):
        if len(own):
            rmse = own["rmse_px"].to_numpy()
            words += f", {what} {np.median(rmse):.3f} px (median), {rmse.max():.3f} px at most"
    return words


def _disagreements(table: pl.DataFrame) -> list[str]:
    """Return a line for each picture whose pipelines are further apart than they claim."""
    apart = table.filter(pl.col("disagrees_with").is_not_null())
    lines = []
    for (picture, target), own in apart.group_by("picture", "target", maintain_order=True):
        names = " and ".join(own["pipeline"].unique(maintain_order=True))
        lines.append(f"{picture}, {target}: {names} disagree beyond their claims")
    return lines


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
