"""Options for what was measured on site, and the results that they name."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.budget.measured import Measured
from bench.cameras.result import read_calibration
from bench.registration.level_result import read_level
from bench.registration.result import read_registration

RegistrationOption = Annotated[
    Path | None,
    typer.Option(
        "--registration",
        metavar="registration.json",
        help="What 'sightbench register solve' found.",
        show_default="a rehearsed one",
    ),
]
LevelOption = Annotated[
    Path | None,
    typer.Option(
        "--level",
        metavar="level.json",
        help="What 'sightbench level solve' found.",
        show_default="a rehearsed one",
    ),
]
LeftCalibrationOption = Annotated[
    Path | None,
    typer.Option(
        "--left-calibration",
        metavar="calibration.json",
        help="The left tower's camera as 'sightbench intrinsics' found it: its covariance "
        "stands in place of the bay file's sizes.",
        show_default="the bay file's camera and sizes",
    ),
]
RightCalibrationOption = Annotated[
    Path | None,
    typer.Option(
        "--right-calibration",
        metavar="calibration.json",
        help="The right tower's likewise.",
        show_default="the bay file's camera and sizes",
    ),
]


def measured_of(
    registration: Path | None,
    level: Path | None,
    left_calibration: Path | None,
    right_calibration: Path | None,
) -> Measured:
    """Return the results that options name.

    Raises
    ------
    ConfigError
        A file isn't there, is damaged, or is something else.
    """
    cameras = {"left": left_calibration, "right": right_calibration}
    return Measured(
        None if registration is None else read_registration(registration),
        None if level is None else read_level(level),
        {side: read_calibration(path)[0] for side, path in cameras.items() if path is not None},
    )
