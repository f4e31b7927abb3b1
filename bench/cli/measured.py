"""Options for what was measured on site, and the results that they name."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import level_option, registration_option
from bench.errors import ConfigError

if TYPE_CHECKING:
    from bench.budget.measured import Measured
    from bench.scene.model import Bay

RegistrationOption = Annotated[
    Path | None, registration_option(", in place of a rehearsed registration.")
]
LevelOption = Annotated[Path | None, level_option(", in place of a rehearsed level.")]
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


def site_of(
    bay: Path | None,
    poses: Path | None,
    registration: Path | None,
    left_calibration: Path | None,
    right_calibration: Path | None,
    level: Path | None = None,
) -> tuple[Bay, Measured]:
    """Return a bay with its calibrated cameras, and what was measured in it.

    What the results themselves say against them is said at once.

    Raises
    ------
    ConfigError
        A file isn't there, is damaged or is something else; a result doesn't belong to the bay; a
        registration is both measured and rehearsed.
    """
    from bench.budget.measured import Measured, checked
    from bench.cameras.result import read_calibration
    from bench.registration.level_result import read_level
    from bench.registration.result import read_registration
    from bench.scene.load import load_bay

    if registration is not None and poses is not None:
        raise ConfigError("--registration: is measured; --poses is for a rehearsal: give one")
    cameras = {"left": left_calibration, "right": right_calibration}
    measured = Measured(
        None if registration is None else read_registration(registration),
        None if level is None else read_level(level),
        {side: read_calibration(path)[0] for side, path in cameras.items() if path is not None},
    )
    site = checked(load_bay(bay), measured)
    for line in measured.contradictions(site):
        typer.echo(f"Contradicted: {line}")
    return site, measured


def parts_of(bay: Bay, measured: Measured) -> dict[str, str]:
    """Return digests of a bay's parts and of what was measured in it."""
    from bench.scene.parts import bay_parts

    return bay_parts(bay) | measured.digests
