"""Plates, which all designs share: outline, quiet zone and reflectances."""

from __future__ import annotations

import math
from dataclasses import KW_ONLY, dataclass

from bench.errors import TargetError
from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.outline import rectangle

# Sizes in files are rounded decimals: a plate given as 0.25 m for a pattern of 0.2 + 2 * 0.025
# must pass, and nothing printed is true to a nanometre.
SLACK_M = 1e-9

# Less can't be printed, more isn't a target: slips of the hand, which would only underflow,
# overflow or take for ever.
MIN_LENGTH_M, MAX_LENGTH_M = 1e-3, 10.0
MAX_COUNT = 1000


@dataclass(frozen=True)
class PlateDesign:
    """Fields common to every design; keyword only.

    Attributes
    ----------
    plate : (float, float) or None
        Width and height of the plate, metres; None is the pattern and its quiet zone.
    quiet_zone : float or None
        White margin that the pattern needs on every side, metres; None takes the design's
        own default.
    white, black : float
        Reflectances of the plate and of the pattern on it, 0 to 1.
    background : float
        Reflectance of everything beyond the plate, 0 to 1.
    """

    _: KW_ONLY
    plate: tuple[float, float] | None = None
    quiet_zone: float | None = None
    white: float = 0.85
    black: float = 0.05
    background: float = 0.35

    def check_plate(self) -> None:
        """Raise `TargetError` when a common field is out of its limits."""
        if self.quiet_zone is not None:
            check_length("quiet_zone", self.quiet_zone, least=0.0)
        if self.plate is not None:
            check_length("plate width", self.plate[0])
            check_length("plate height", self.plate[1])
        for what in ("white", "black", "background"):
            value = getattr(self, what)
            if not 0.0 <= value <= 1.0:  # also catches NaN
                raise TargetError(f"{what} must be a reflectance, 0 to 1, got {value:g}")
        if not self.black < self.white:
            raise TargetError(
                f"black must reflect less than white, got {self.black:g} and {self.white:g}"
            )


def check_length(what: str, value: float, least: float | None = None) -> None:
    """Raise unless `value` is a length, positive or (with `least`) at least `least`, in metres.

    Raises
    ------
    TargetError
        It isn't.
    """
    good = value > 0 if least is None else value >= least
    if not (math.isfinite(value) and good):
        limit = "positive" if least is None else f"at least {least:g}"
        raise TargetError(f"{what} must be finite and {limit}, got {value:g} m")
    if least is None and value < MIN_LENGTH_M:
        raise TargetError(f"{what} must be at least {1000 * MIN_LENGTH_M:g} mm, got {value:g} m")
    if value > MAX_LENGTH_M:
        raise TargetError(f"{what} must be at most {MAX_LENGTH_M:g} m, got {value:g} m")


def check_count(what: str, value: int, least: int) -> None:
    """Raise unless `value` is at least `least` and at most `MAX_COUNT`.

    Raises
    ------
    TargetError
        It isn't.
    """
    if value < least:
        raise TargetError(f"{what} must be at least {least}, got {value}")
    if value > MAX_COUNT:
        raise TargetError(f"{what} must be at most {MAX_COUNT}, got {value}")


def size_text(width: float, height: float) -> str:
    """Return ``"210 x 297 mm"``."""
    return f"{1000 * width:.6g} x {1000 * height:.6g} mm"


def drawing_on_plate(
    design: PlateDesign,
    pattern: tuple[float, float],
    quiet_zone: float,
    shapes: tuple[Area | Disc, ...],
) -> Drawing:
    """Return the drawing of shapes on the design's white plate.

    Parameters
    ----------
    design : PlateDesign
        Plate size and reflectances.
    pattern : (float, float)
        Width and height of the pattern, centred on the plate, metres.
    quiet_zone : float
        Taken where the design leaves its own open, metres.
    shapes : tuple of Area or Disc
        The pattern, painted on white.

    Raises
    ------
    TargetError
        The plate is smaller than the pattern with its quiet zone.
    """
    quiet = quiet_zone if design.quiet_zone is None else design.quiet_zone
    needed = (pattern[0] + 2 * quiet, pattern[1] + 2 * quiet)
    width, height = needed if design.plate is None else design.plate
    if width < needed[0] - SLACK_M or height < needed[1] - SLACK_M:
        raise TargetError(
            f"plate of {size_text(width, height)} is smaller than the pattern with its quiet zone "
            f"of {1000 * quiet:.6g} mm, {size_text(*needed)}"
        )
    outline = rectangle(-0.5 * width, -0.5 * height, 0.5 * width, 0.5 * height)
    plate = Area((outline,), design.white, design.background)
    return Drawing(width, height, design.background, (plate, *shapes))
