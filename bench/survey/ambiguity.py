"""Rate at which the wrong side of the planar ambiguity fitted better, beside what it must be.

A case whose pose is on the wrong side counts, whether its pipeline called it ambiguous or not:
this is about which solution won, `bench.survey.score` about what a user was told.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import scipy

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.region import region_of
from bench.solve.mirror_rate import corner_distance, image_distance, mirrored_share
from bench.solve.photometric import PhotometricSolver
from bench.survey.cells import CELL
from bench.survey.pieces import Cases, pieces_of
from bench.survey.score import MIN_MIRROR_TILT_DEG
from bench.survey.setting import Setting, pattern_points
from bench.typing import BoolArray

# The face needs this much around it for the picture's own share of the prediction, pixels.
MARGIN_PX = 2.0
_NEEDED = [
    *CELL,
    *("turn_true_deg", "pitch_true_deg", "tilt_true_deg", "outcome", "n_points", "rmse_px"),
    *("err_rot_deg", "err_rot_x_deg", "err_rot_y_deg", "err_rot_z_deg"),
]


def wrong_side(cases: pl.DataFrame) -> BoolArray:
    """Return which cases (N,) have their pose on the mirrored side; false without a pose.

    As `bench.survey.score.is_mirrored`, from the table's columns: with R = R_true the normal
    found is R exp(e) z for the rotation error e about the target's axes, and in those axes the
    camera lies in direction d = R_x(-pitch) R_y(-turn) z.
    """
    axes = pl.col("err_rot_x_deg", "err_rot_y_deg", "err_rot_z_deg").cast(pl.Float64)
    rotvec = np.radians(cases.select(axes.fill_null(math.nan)).to_numpy())
    views = cases.select("turn_true_deg", "pitch_true_deg", "tilt_true_deg").to_numpy()
    can_be = np.isfinite(rotvec).all(axis=1) & (views[:, 2] >= MIN_MIRROR_TILT_DEG)
    turn, pitch = np.radians(views[can_be, :2]).T
    z = np.array([0.0, 0.0, 1.0])
    to_camera = np.stack(
        [-np.sin(turn), np.cos(turn) * np.sin(pitch), np.cos(turn) * np.cos(pitch)], axis=1
    )
    normal = scipy.spatial.transform.Rotation.from_rotvec(rotvec[can_be]).apply(z)
    mirrored = 2.0 * to_camera[:, 2:] * to_camera - z
    found = np.zeros(len(cases), dtype=np.bool_)
    found[can_be] = np.sum(normal * mirrored, axis=1) > normal[:, 2]
    return found


def ambiguity_table(cases: Cases) -> pl.DataFrame:
    """Return for each pipeline and cell how many poses there were and how many on which side.

    Returns
    -------
    polars.DataFrame
        `CELL`, then `n` (cases with a pose), `n_wrong` (of them on the mirrored side, called
        ambiguous or not), `n_ambiguous` (called so, on either side) and `sigma_px`, the noise
        of a corner's coordinate that the residuals show: √(Σ SSE / Σ (2 N - 6)) for N corners.
    """
    return pl.concat(_counts(piece.select(_NEEDED).collect()) for piece in pieces_of(cases))


def _counts(cases: pl.DataFrame) -> pl.DataFrame:
    squares = pl.col("n_points") * pl.col("rmse_px") ** 2
    return (
        cases.with_columns(wrong=pl.Series(wrong_side(cases)))
        .filter(pl.col("err_rot_deg").is_not_null())
        .group_by(CELL, maintain_order=True)
        .agg(
            pl.len().alias("n"),
            pl.col("wrong").sum().alias("n_wrong"),
            (pl.col("outcome") == "ambiguous").sum().alias("n_ambiguous"),
            (squares.sum() / (2 * pl.col("n_points") - 6).sum()).sqrt().alias("sigma_px"),
        )
    )


def with_predictions(table: pl.DataFrame, setting: Setting) -> pl.DataFrame:
    """Return an ambiguity table with a column `predicted`: Q(d/2) at each cell's nominal view.

    Of the photometric solver, d is that of the picture; of others, that of the pattern's
    outermost points with the noise `sigma_px`. Views are on the optical axis, unrolled. NaN
    where there is no second pose, or no corner's noise to tell it from.
    """
    shares = []
    for row in table.iter_rows(named=True):
        view = View(row["range_m"], math.radians(row["turn_deg"]), math.radians(row["pitch_deg"]))
        photometric = row["pipeline"].split("/")[-1] == PhotometricSolver.name
        try:
            pose = pose_of_view(view, setting.camera)
            distance = (
                _image_distance(pose, setting)
                if photometric
                else corner_distance(
                    pattern_points(setting.target),
                    pose,
                    setting.camera,
                    row["sigma_px"] or math.nan,
                )
            )
        except GeometryError:
            distance = math.nan
        shares.append(mirrored_share(distance))
    return table.with_columns(predicted=pl.Series(shares, dtype=pl.Float64))


def _image_distance(pose: Pose, setting: Setting) -> float:
    drawing, camera = setting.target.drawing, setting.camera
    region = region_of(drawing, pose, camera, MARGIN_PX)
    return image_distance(drawing, pose, camera, setting.imaging, region)
