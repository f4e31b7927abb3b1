"""What becomes of a pose where the model is wrong on purpose, and whether χ² notices."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.special import chdtrc

from bench.detect.observation import Observation
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import pose_of_view
from bench.imaging.appearance import PARAMETERS
from bench.imaging.model import expected_electrons
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.imaging.sensor import expose
from bench.render.planar import MARGIN_PX
from bench.solve.face import face_of
from bench.solve.image_fit import BLUR_HELD, fit_image, pose_covariance_of
from bench.solve.noise import noise_of_sensor
from bench.solve.photometric import PhotometricSolver
from bench.solve.weights import Weigher
from bench.targets.target import Target
from bench.typing import Array
from reports.photometric.cases import (
    COMPONENTS,
    Row,
    bound_columns,
    error_columns,
    find,
)
from reports.photometric.setting import CAMERA, Cell, draw_view, generator

# Of χ², under which the model is called wrong.
RISK = 0.01
# With an unknown lens the target is seen here, right and down of the middle, pixels: half way
# to the corner of the frame, where the barrel's k1 moves a point by 2 px.
OFF_AXIS_PX = (600.0, 500.0)


@dataclass(frozen=True)
class Mismatch:
    """One way for the model to be wrong.

    Attributes
    ----------
    name : str
        In tables.
    words : str
        What is wrong.
    held_blur : float or None
        Factor from the true blur to the one that is held fixed.
    k1 : float
        Radial distortion that the solver doesn't know.
    bowl : float
        Light falls off with the square of the distance from a point beside the target's centre,
        by this share at the plate's corner: no plane fits it.
    """

    name: str
    words: str
    held_blur: float | None = None
    k1: float = 0.0
    bowl: float = 0.0


MISMATCHES = (
    Mismatch("none", "nothing is wrong"),
    Mismatch("blur held", "blur held at its true value", held_blur=1.0),
    Mismatch("blur -20 %", "blur held 20 % too small", held_blur=0.8),
    Mismatch("blur +20 %", "blur held 20 % too large", held_blur=1.2),
    Mismatch("lens, slight", "distortion k1 = -0.02 unknown", k1=-0.02),
    Mismatch("lens, marked", "distortion k1 = -0.1 unknown", k1=-0.1),
    Mismatch("light -5 %", "light falls by 5 % to the plate's corner", bowl=0.05),
    Mismatch("light -20 %", "light falls by 20 % to the plate's corner", bowl=0.2),
)
CELLS = tuple(Cell(size, tilt, 0.6) for size in (33.0, 100.0) for tilt in (15.0, 50.0))


def run_case(seed: int, mismatch: Mismatch, cell: Cell, trial: int, target: Target) -> Row:
    """Return the row of one case, with its errors against the true pose."""
    rng = generator(seed, f"mismatch/{mismatch.name}/{cell.name}/{trial}")
    view = draw_view(cell, rng)
    if mismatch.k1:
        middle = view.pixel or (CAMERA.cx, CAMERA.cy)
        view = replace(view, pixel=(middle[0] + OFF_AXIS_PX[0], middle[1] + OFF_AXIS_PX[1]))
    camera = replace(CAMERA, distortion=(mismatch.k1, 0.0, 0.0, 0.0, 0.0))
    pose = pose_of_view(view, camera)
    picture = take(target, pose, camera, cell, mismatch.bowl, rng)
    seen = Observation(picture, CAMERA, target, cell.imaging.sensor)
    detection, _ = find(seen, pose, rng)
    row: Row = {"mismatch": mismatch.name, "cell": cell.name, "trial": trial}
    row |= bound_columns(target, pose, camera, cell, picture.region)
    if mismatch.held_blur is None:
        estimate = PhotometricSolver().solve(detection, seen)
        found, covariance = estimate.T_camera_target_est, estimate.covariance
        chi_square, degrees = estimate.chi_square, estimate.degrees
        if found is None or covariance is None:
            return row
    else:
        found, covariance, chi_square, degrees = fit_held(
            seen, pose, mismatch.held_blur * cell.blur_px
        )
    row["noticed"] = bool(chdtrc(degrees, chi_square) < RISK)
    return row | error_columns(pose, found, covariance)


def take(
    target: Target, pose: Pose, camera: Camera, cell: Cell, bowl: float, rng: np.random.Generator
) -> Picture:
    """Take a picture under light that falls off by `bowl` at the plate's corner."""
    region = region_of(target.drawing, pose, camera, MARGIN_PX)
    electrons = expected_electrons(target.drawing, pose, camera, cell.imaging, region)
    sensor = cell.imaging.sensor
    grey = expose(electrons * light_of(target, pose, camera, region, bowl), sensor, rng)
    return Picture(grey, region.u0, region.v0, sensor.full_scale)


def light_of(target: Target, pose: Pose, camera: Camera, region: Region, bowl: float) -> Array:
    """Return by what factor (H, W) light falls off from a point beside the plate's centre."""
    centre = project(np.zeros((1, 3)), pose, camera)[0]
    drawing = target.drawing
    corner = 0.5 * math.hypot(drawing.width, drawing.height) * camera.fx / pose.translation[2]
    v, u = np.mgrid[region.v0 : region.v0 + region.height, region.u0 : region.u0 + region.width]
    # brightest beside the centre, so that a plane takes up a part of it
    du, dv = u - centre[0] - 0.3 * corner, v - centre[1]
    away = (du * du + dv * dv) / corner**2
    return np.asarray(1.0 / (1.0 + bowl / (1.0 - bowl) * away))


def fit_held(
    observation: Observation, start: Pose, blur_px: float
) -> tuple[Pose, Array, float, float]:
    """Return pose, covariance, χ² and degrees of freedom of a fit that trusts a blur."""
    assert observation.sensor is not None
    noise = noise_of_sensor(observation.sensor)
    scene = face_of(observation, start, blur_px, noise).scene
    fit = fit_image(scene, start, blur_px, Weigher(noise), BLUR_HELD)
    covariance = pose_covariance_of(fit.information, BLUR_HELD)
    return fit.pose, covariance, fit.chi_square, len(scene.grey) - (PARAMETERS - 1.0)


def mismatch_table(cases: pl.DataFrame) -> pl.DataFrame:
    """Return one row a mismatch and cell: biases, in units and in standard deviations of noise."""
    rows = []
    for (name, cell), own in cases.group_by("mismatch", "cell", maintain_order=True):
        right = own.filter(pl.col("squared").is_not_null() & ~pl.col("mirrored"))
        row: Row = {
            "mismatch": str(name),
            "cell": str(cell),
            "n": len(right),
            "noticed": float(np.mean(right["noticed"].to_numpy())),
            "nees": float(np.mean(right["squared"].to_numpy())),
        }
        for component in COMPONENTS:
            error = right[f"err_{component}"].to_numpy()
            sigma = np.sqrt(right[f"bound_var_{component}"].to_numpy())
            row[f"bias_{component}"] = float(error.mean())
            row[f"bias_{component}_sd"] = float(np.mean(error / sigma))
            row[f"rms_{component}_sd"] = float(np.sqrt(np.mean((error / sigma) ** 2)))
        rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)
