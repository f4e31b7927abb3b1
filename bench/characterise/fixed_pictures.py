"""Pictures of two markers on one bar, or of one moved by known amounts, measured for bias."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from bench.cameras.measuring import same_marker
from bench.characterise.checks import Check
from bench.characterise.known import KnownCamera
from bench.characterise.rigid import (
    LEAST_PLACES,
    BarView,
    Known,
    Seen,
    agreement,
    bar_checks,
    moved,
)
from bench.characterise.series import read_frame
from bench.characterise.shots import Setup
from bench.detect.observation import Observation
from bench.errors import ConfigError, PictureError
from bench.geometry.camera import project_camera
from bench.imaging.picture import Picture
from bench.solve.default_pipeline import is_photometric
from bench.tables import Row, numbers, read_table, texts
from bench.targets.target import Target
from bench.units import length

SIZES = (0.0, 1e5)
COLUMNS = (
    *texts("first", "second"),
    *numbers("turn_deg", "u_turn_deg", "shift_mm", "u_shift_mm", optional=True, within=SIZES),
)


def bar_length_of(text: str) -> Known:
    """Return a length and its standard uncertainty, metres, of "800 mm +- 0.1 mm".

    Raises
    ------
    ConfigError
        It isn't written so.
    """
    value, mark, u = text.replace("±", "+-").partition("+-")
    if not mark:
        raise ConfigError(f"--bar-length: must be like '800 mm +- 0.1 mm', got '{text}'")
    try:
        found = Known(length(value.strip()), length(u.strip()))
    except ValueError as error:
        raise ConfigError(f"--bar-length: {error}") from error
    if not (found.value > 0.0 and found.u > 0.0):
        raise ConfigError(f"--bar-length: both must be above 0, got '{text}'")
    return found


def bar_in_pictures(
    paths: Sequence[Path], known: KnownCamera, second: int, setup: Setup, length: Known | None
) -> list[Check]:
    """Return what a bar with the target and its like of another id shows.

    Raises
    ------
    TargetError, ConfigError
        The target isn't a single marker, or has that id itself.
    PictureError
        Too few pictures show both.
    """
    other = same_marker(setup.target, second)
    if set(other.markers) == set(setup.target.markers):
        raise ConfigError(f"--second: {second} is the bay's own marker")
    views = []
    half = 0.5 * np.array([known.camera.width, known.camera.height])
    for path in paths:
        picture = read_frame(path, known.camera, known.sensor.bit_depth)
        ends = [_seen(picture, known, target, setup) for target in (setup.target, other)]
        if ends[0] is None or ends[1] is None:
            continue
        middle = 0.5 * (ends[0].pose.translation + ends[1].pose.translation)
        place = project_camera(middle[None, :], known.camera)[0]
        views.append(BarView(ends[0], ends[1], (place - half) / half))
    checks = bar_checks(views, length)
    if not checks:
        raise PictureError(
            f"--rigid: both markers are found in {len(views)} pictures; {LEAST_PLACES} are needed"
        )
    return checks


def known_moves(table: Path, known: KnownCamera, setup: Setup) -> list[Check]:
    """Return whether a target moved between pictures as a table says that it did.

    Parameters
    ----------
    table : pathlib.Path
        CSV: first, second (pictures, beside the table), and turn_deg, u_turn_deg, shift_mm and
        u_shift_mm of its centre as far as they are known.
    known, setup : KnownCamera, Setup
        What took the pictures, and of what.

    Raises
    ------
    ConfigError
        The table can't be used.
    PictureError
        A picture can't be read, or doesn't show the target.
    """
    rows = read_table(table, COLUMNS)
    asked = [_known_of(row) for row in rows]
    among = sum(one is not None for pair in asked for one in pair)
    cache: dict[str, Seen] = {}
    checks = []
    for row, (turn, shift) in zip(rows, asked, strict=True):
        names = row.texts["first"], row.texts["second"]
        for name in names:
            if name not in cache:
                path = table.parent / name
                picture = read_frame(path, known.camera, known.sensor.bit_depth)
                seen = _seen(picture, known, setup.target, setup)
                if seen is None:
                    raise PictureError(f"{path}: {setup.target.name} isn't found in it")
                cache[name] = seen
        found = moved(*(cache[name] for name in names))
        between = f"from {names[0]} to {names[1]}"
        if turn is not None:
            what = f"turned {between}, less what is known"
            checks.append(agreement(what, found[0], turn, math.degrees(1.0), "deg", among))
        if shift is not None:
            what = f"shifted {between}, less what is known"
            checks.append(agreement(what, found[1], shift, 1e3, "mm", among))
    return checks


def _known_of(row: Row) -> tuple[Known | None, Known | None]:
    """Return the turn and the shift that a row knows."""
    found: list[Known | None] = []
    for name, scale in (("turn_deg", math.radians(1.0)), ("shift_mm", 1e-3)):
        value, u = row.numbers.get(name), row.numbers.get(f"u_{name}")
        if (value is None) != (u is None):
            raise row.refusal(f"{name} and u_{name} belong together")
        found.append(None if value is None or u is None else Known(scale * value, scale * u))
    if found == [None, None]:
        raise row.refusal("neither turn_deg nor shift_mm is known")
    return found[0], found[1]


def _seen(picture: Picture, known: KnownCamera, target: Target, setup: Setup) -> Seen | None:
    """Return the target's pose by the first photometric pipeline, else the first."""
    pipeline = next((p for p in setup.pipelines if is_photometric(p.name)), setup.pipelines[0])
    estimate = pipeline.run(Observation(picture, known.camera, target, known.sensor))[1]
    if estimate.T_camera_target_est is None or estimate.covariance is None:
        return None
    return Seen(estimate.T_camera_target_est, estimate.covariance)
