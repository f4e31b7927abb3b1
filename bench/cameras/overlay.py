"""A photograph with what a pipeline made of it drawn on top."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from bench.cameras import overlay_marks as marks
from bench.cameras.photographs import Measurement, measurement_row
from bench.draw import style
from bench.draw.page_layout import MARGIN, Box, Page, shorten, snap
from bench.errors import ConfigError
from bench.imaging.picture import Picture
from bench.survey.score import Row
from bench.typing import Array

LEAST_WIDTH = 1280  # dots; a smaller picture is shown with its pixels repeated
DETAIL = 0.5  # a target narrower than this part of the picture is also shown enlarged
MOST_DETAILS, MOST_LINES = 6, 12
# Of the target's size in the picture over the root of its number of points, which is about
# their distance: so long the larger residuals are drawn.
RESIDUAL_LENGTH = 0.6


def write_overlay(path: Path, measurements: Sequence[Measurement], note: str = "") -> Path:
    """Draw an overlay and write it as PNG; see `overlay_figure`.

    Raises
    ------
    RunError
        The picture can't be written.
    """
    with style.applied():
        return style.save(overlay_figure(measurements, note), path)


def overlay_figure(measurements: Sequence[Measurement], note: str = "") -> Figure:
    """Draw everything measured in one picture over it, at the picture's own resolution.

    Each pixel is one dot, or n x n dots in a small picture. Targets that are small in the
    picture are shown again enlarged below it.

    Parameters
    ----------
    measurements : sequence of Measurement
        All of the same picture, one for each target looked for.
    note : str
        Ends the caption: camera, command, version.

    Raises
    ------
    ConfigError
        There is no measurement.
    """
    if not measurements:
        raise ConfigError("overlay: there is nothing to draw without a measurement")
    first = measurements[0]
    picture = first.observation.picture
    height, width = picture.grey.shape
    repeat = max(1, round(LEAST_WIDTH / width))
    dpi = repeat * width / style.WIDTH
    posed = [m for m in measurements if m.estimate.T_camera_target_est is not None]
    small = [m for m in posed if _is_small(m, width, height)][:MOST_DETAILS]
    factor = _factor(posed)
    picture_height = repeat * height / dpi
    columns = min(len(small), 3)
    side = (style.WIDTH - 2 * MARGIN - (columns - 1) * MARGIN) / columns if small else 0.0
    side = min(side, 4.6)
    rows = -(-len(small) // columns) if small else 0
    pipelines = ", ".join(dict.fromkeys(m.pipeline for m in measurements))
    page = Page(
        first.picture,
        f"{pipelines}; {width} x {height} px" + (f", shown × {repeat}" if repeat > 1 else ""),
        "\n".join([*_lines(measurements), *([note] if note else [])]),
        picture_height + rows * (side + 0.3) + 0.1,
        marks.handles(factor, any(m.estimate.runner_up is not None for m in posed))
        if posed
        else (),
        dpi=dpi,
    )
    axes = page.axes(Box(-MARGIN, 0.0, style.WIDTH, picture_height))
    snap(axes, (repeat * height, repeat * width))
    _show(axes, picture)
    for rank, measurement in enumerate(measurements):
        _draw(axes, measurement, factor, bare=measurement in small)
        if len(measurements) > 1:
            _number(axes, measurement, rank + 1)
    for rank, measurement in enumerate(small):
        row, column = divmod(rank, columns)
        box = Box(column * (side + MARGIN), picture_height + 0.3 + row * (side + 0.3), side, side)
        _draw_detail(page, box, measurement, measurements.index(measurement) + 1, factor)
        frame = Rectangle(*_square(measurement), fill=False, edgecolor="white", linewidth=0.8)
        frame.set_path_effects(marks.casing(1.8))
        axes.add_patch(frame)
    return page.figure


def _show(axes: Axes, picture: Picture) -> None:
    region = picture.region
    extent = (
        region.u0 - 0.5,
        region.u0 + region.width - 0.5,
        region.v0 + region.height - 0.5,
        region.v0 - 0.5,
    )
    # as colours, which are drawn as they are; a colour map would round some grey values
    colours = np.repeat(picture.grey8[..., None], 3, axis=2)
    axes.imshow(colours, interpolation="nearest", extent=extent, aspect="auto")
    axes.set_autoscale_on(False)
    axes.set_axis_off()


def _draw(axes: Axes, measurement: Measurement, factor: float, bare: bool) -> None:
    """Draw one measurement; a bare one without points and residuals, which a detail shows."""
    observation, estimate = measurement.observation, measurement.estimate
    camera, target = observation.camera, observation.target
    pixels = measurement.detection.pixels
    T_est = estimate.T_camera_target_est
    if estimate.runner_up is not None and not bare:
        ring = marks.plate_outline(target, estimate.runner_up, camera)
        if ring is not None:
            marks.draw_outline(axes, ring, faint=True)
    if T_est is not None:
        ring = marks.plate_outline(target, T_est, camera)
        if ring is not None:
            marks.draw_outline(axes, ring)
        marks.draw_axes(axes, target, T_est, camera)
    if bare:
        return
    if len(pixels):
        marks.draw_points(axes, pixels)
    if T_est is not None:
        marks.draw_ids(axes, target, T_est, camera, set(measurement.detection.marker_ids))
        predicted = marks.projected(measurement.detection.p_target, T_est, camera)
        if predicted is not None:
            marks.draw_residuals(axes, pixels, predicted, factor)


def _number(axes: Axes, measurement: Measurement, number: int) -> None:
    """Write a measurement's number above its target."""
    if len(measurement.detection.pixels) == 0:
        return
    u, v = _span(measurement)[0]
    axes.annotate(
        str(number),
        (u, v),
        xytext=(0, 2),
        textcoords="offset points",
        color="black",
        fontsize=style.SMALL,
        fontweight="bold",
        annotation_clip=True,
        bbox={"facecolor": marks.OUTLINE, "edgecolor": "black", "pad": 1.5, "linewidth": 0.8},
    )


def _draw_detail(
    page: Page, box: Box, measurement: Measurement, number: int, factor: float
) -> None:
    axes = page.axes(box)
    (u, v), side, _ = _square(measurement)
    _show(axes, measurement.observation.picture)
    axes.set_xlim(u, u + side)
    axes.set_ylim(v + side, v)
    _draw(axes, measurement, factor, bare=False)
    zoom = box.width * page.figure.dpi / side
    words = f"{number} {measurement.observation.target.name}, {style.number(zoom)} dots a pixel"
    page.text(
        box.left, box.top - 0.06, shorten(words, box.width, style.SMALL), fontsize=style.SMALL
    )


def _span(measurement: Measurement) -> tuple[Array, Array]:
    """Return the corners (2,), (2,) of the box around a target in the picture."""
    points = measurement.detection.pixels
    T_est = measurement.estimate.T_camera_target_est
    if T_est is not None:
        observation = measurement.observation
        ring = marks.plate_outline(observation.target, T_est, observation.camera)
        if ring is not None and np.all(
            np.ptp(ring, axis=0) < 20.0 * np.ptp(points, axis=0) + 20.0
        ):
            points = np.vstack((points, ring))
    return points.min(axis=0), points.max(axis=0)


def _square(measurement: Measurement) -> tuple[tuple[float, float], float, float]:
    """Return the square around a target that its detail shows: corner, width, height."""
    low, high = _span(measurement)
    centre, side = 0.5 * (low + high), 1.25 * float(np.max(high - low)) + 8.0
    return (float(centre[0] - 0.5 * side), float(centre[1] - 0.5 * side)), side, side


def _is_small(measurement: Measurement, width: int, height: int) -> bool:
    low, high = _span(measurement)
    return bool((high[0] - low[0]) < DETAIL * width and (high[1] - low[1]) < DETAIL * height)


def _factor(posed: Sequence[Measurement]) -> float:
    """Return one magnification of residuals for the whole picture."""
    residuals, sizes = [np.empty((0, 2))], []
    for m in posed:
        T_est = m.estimate.T_camera_target_est
        assert T_est is not None
        predicted = marks.projected(m.detection.p_target, T_est, m.observation.camera)
        if predicted is not None:
            residuals.append(m.detection.pixels - predicted)
            size = float(np.max(np.ptp(m.detection.pixels, axis=0)))
            sizes.append(size / np.sqrt(len(m.detection.pixels)))
    length = RESIDUAL_LENGTH * float(np.median(sizes)) if sizes else 0.0
    return marks.magnification(np.vstack(residuals), length)


def _lines(measurements: Sequence[Measurement]) -> list[str]:
    """Return the caption: a line a target."""
    several = len(measurements) > 1
    pipelines = len({m.pipeline for m in measurements})
    lines = [
        (f"{i + 1}  " if several else "")
        + (f"{m.pipeline}, " if pipelines > 1 else "")
        + measurement_words(m)
        for i, m in enumerate(measurements[:MOST_LINES])
    ]
    if len(measurements) > MOST_LINES:
        lines.append(f"and {len(measurements) - MOST_LINES} more, which the table lists")
    if any(m.estimate.covariance is not None for m in measurements):
        lines.append("u: standard uncertainty as the pipeline claims it.")
    return lines


def measurement_words(measurement: Measurement) -> str:
    """Say what was measured: outcome, range, tilt, standard uncertainties, residuals."""
    row = measurement_row(measurement)
    words = f"{row['target']}: {str(row['outcome']).replace('_', ' ')}"
    if measurement.estimate.T_camera_target_est is None:
        return words + "."
    words += f". Range {row['range_m']:.4f} m{_claims(row, 'mm', 'along_mm')}; "
    words += f"tilt {row['tilt_deg']:.2f} deg; turn {_degrees(row['turn_deg'])}, "
    words += f"pitch {_degrees(row['pitch_deg'])}, roll {_degrees(row['roll_deg'])} deg"
    words += _claims(row, "deg", "rot_y_deg", "rot_x_deg", "rot_z_deg")
    words += f"; {row['n_points']} points, residual {row['rmse_px']:.3f} px RMS"
    if row["runner_up_rmse_px"] is not None:
        words += f", runner-up {row['runner_up_rmse_px']:.3f} px"
    return words + "."


def _degrees(value: object) -> str:
    return f"{value:.2f}".replace("-", "−")


def _claims(row: Row, unit: str, *names: str) -> str:
    """Return the standard uncertainties that a pipeline claims, or nothing."""
    sigmas = [row[f"sigma_{name}"] for name in names]
    if any(sigma is None for sigma in sigmas):
        return ""
    return f" (u {', '.join(style.number(float(s)) for s in sigmas if s)} {unit})"
