"""Scores measured poses against the truth of april-vision's simulated pictures.

april-vision 3.1.0 (MIT licence) ships 36 pictures of a tag36h11 marker, id 14, made with the
Webots simulator, and their true positions and angles. The world file and the controller that
made them (tests/webots_generator) give the frames: x forward, y left, z up, the plate turned
by roll about -x, then pitch about y, then yaw about -z.

    python -m reports.real.april_vision MEASUREMENTS.parquet LOCATIONS.csv SCORES.csv
"""

from __future__ import annotations

import csv
import math
import sys
from pathlib import Path

import numpy as np
import polars as pl

from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec, rotation_x, rotation_y, rotation_z
from bench.geometry.viewing import tilt_of_pose, view_of_pose
from bench.survey.score import is_mirrored, rotation_error, translation_error

# 800 x 800 px with a field of view of 0.6 rad; OpenGL's centre of the frame is between pixels.
FOCAL_PX = 400.0 / math.tan(0.3)
CAMERA = Camera(800, 800, FOCAL_PX, FOCAL_PX, 399.5, 399.5)

SIZE_M = 0.2  # as april-vision's own test takes it
# Its texture CI.png has 820 black pixels of 1024 across a plate of 0.25 m.
TEXTURE_SIZE_M = 0.25 * 820 / 1024
# The plate is a box of 1 mm; locations are those of its middle.
HALF_THICKNESS_M = 0.0005

# Webots' axes (forward, left, up) in the camera's (right, down, forward)
R_CAMERA_WEBOTS = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]])
# The target's axes (right, up, out of the face) in the plate's, whose face looks back along -x.
# The marker is drawn half way round from OpenCV's (CI.png shows it).
R_PLATE_TARGET = np.array([[0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]) @ np.diag(
    [-1.0, -1.0, 1.0]
)


def true_pose(row: dict[str, str]) -> Pose:
    """Return T_camera_target_true of a row of locations.csv: the centre of the printed face."""
    rotation = (
        rotation_x(-float(row["roll"]))
        @ rotation_y(float(row["pitch"]))
        @ rotation_z(-float(row["yaw"]))
    )
    centre = np.array([float(row[name]) for name in ("distance", "horizontal", "vertical")])
    face = centre + rotation @ np.array([-HALF_THICKNESS_M, 0.0, 0.0])
    return Pose(R_CAMERA_WEBOTS @ rotation @ R_PLATE_TARGET, R_CAMERA_WEBOTS @ face)


def read_truth(path: Path) -> dict[str, Pose]:
    """Return the true poses of locations.csv by the picture's name (``img-000``)."""
    with path.open(newline="", encoding="utf-8") as file:
        return {f"img-{int(row['Index']):03d}": true_pose(row) for row in csv.DictReader(file)}


def score_table(measurements: pl.DataFrame, truth: dict[str, Pose]) -> pl.DataFrame:
    """Return errors of measured poses, one row a picture and pipeline; null without a pose."""
    rows = []
    for row in measurements.iter_rows(named=True):
        name = Path(row["picture"]).stem
        T_true = truth[name]
        view = view_of_pose(T_true)
        scored = {
            "picture": name,
            "pipeline": row["pipeline"],
            "outcome": row["outcome"],
            "range_true_m": view.range_m,
            "turn_true_deg": math.degrees(view.turn),
            "pitch_true_deg": math.degrees(view.pitch),
            "tilt_true_deg": math.degrees(tilt_of_pose(T_true)),
        }
        if row["x_m"] is not None:
            scored |= _errors(T_true, row)
        rows.append(scored)
    return pl.DataFrame(rows, infer_schema_length=None)


def _errors(T_true: Pose, row: dict[str, float]) -> dict[str, float | bool]:
    rotvec = np.radians([row[f"rotvec_{axis}_deg"] for axis in "xyz"])
    T_est = Pose(exp_rotvec(rotvec), np.array([row["x_m"], row["y_m"], row["z_m"]]))
    rotation = np.degrees(rotation_error(T_true, T_est)).tolist()
    right, up, along = (1e3 * translation_error(T_true, T_est)).tolist()
    return {
        "mirrored": is_mirrored(T_true, T_est),
        "err_right_mm": right,
        "err_up_mm": up,
        "err_along_mm": along,
        "err_rot_x_deg": rotation[0],
        "err_rot_y_deg": rotation[1],
        "err_rot_z_deg": rotation[2],
        "err_tilt_deg": math.degrees(tilt_of_pose(T_est) - tilt_of_pose(T_true)),
    }


def summary(scores: pl.DataFrame) -> str:
    """Return what one pipeline's scores say, in lines."""
    found = scores.drop_nulls("err_along_mm").filter(~pl.col("mirrored"))
    tilted = found.filter(pl.col("tilt_true_deg") > 30.0)
    far = found.filter(pl.col("range_true_m") > 1.5)
    near = found.filter(pl.col("range_true_m") < 1.5)
    lateral = np.hypot(found["err_right_mm"].to_numpy(), found["err_up_mm"].to_numpy())
    return "\n".join(
        (
            f"{len(found)} of {len(scores)} pictures with the right pose",
            f"error across the line of sight: {lateral.max():.2f} mm at most",
            f"error along it: mean {np.mean(far['err_along_mm'].to_numpy()):+.1f} mm at 2 m, "
            f"{np.mean(near['err_along_mm'].to_numpy()):+.1f} mm at 1 m",
            f"tilt error of the {len(tilted)} tilted pictures: "
            f"{np.sqrt(np.mean(tilted['err_tilt_deg'].to_numpy() ** 2)):.3f} deg RMS",
        )
    )


def main(arguments: list[str]) -> None:
    """Read the two tables, write the scores, print what they say."""
    measurements, locations, out = (Path(argument) for argument in arguments)
    scores = score_table(pl.read_parquet(measurements), read_truth(locations))
    scores.write_csv(out, float_precision=6)
    for (pipeline,), part in scores.group_by("pipeline", maintain_order=True):
        print(f"{pipeline}\n{summary(part)}")


if __name__ == "__main__":
    main(sys.argv[1:])
