"""A bay file's [budget]: sizes of what makes toe and camber uncertain."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from bench.scene.budget_terms import BudgetTerms
from bench.scene.fields import ERROR_ANGLE, ERROR_LENGTH, given
from bench.scene.quantities import Quantities, Quantity
from bench.strict import Section

Relative = Annotated[float, Field(ge=0.0, le=0.1, examples=[2e-4])] | None
Turn = Annotated[float, ERROR_ANGLE] | None
Size = Annotated[float, ERROR_LENGTH] | None
Pixels = Annotated[float, Quantity("pixels", "0 px", "100 px")] | None
Kelvin = Annotated[float, Quantity("temperature difference", "0 K", "100 K")] | None
Expansion = Annotated[float, Quantity("expansion", "0 1/K", "1e-3 1/K")] | None


class BudgetSection(Section):
    """Sizes of causes of uncertainty; what is left out has the bench's own assumption.

    "Standard" is a standard uncertainty of a normal distribution, "limit" the half width of a
    rectangular one.
    """

    flatness: Size = None
    """Limit of a target's bow and twist at the plate's corners."""
    print_scale: Relative = None
    """Standard, of the printed pattern's size, a fraction; common to all targets."""
    print_aspect: Relative = None
    """Standard, of its height over its width, a fraction; common to all targets."""
    focal: Relative = None
    """Standard, of a camera's focal length, a fraction."""
    aspect: Relative = None
    """Standard, of its focal length down over across, a fraction."""
    principal_point: Pixels = None
    """Standard, of each of its coordinates."""
    distortion: Pixels = None
    """Standard, of the radial distortion at the picture's corner."""
    roll_angles: (
        Annotated[tuple[float, ...], Quantities("angle", "-180 deg", "360 deg")] | None
    ) = None
    """Of the wheel where run-out compensation takes its readings; two or more."""
    bearing_play: Turn = None
    """Standard, of a spin axis between readings of a rolling wheel, each way."""
    mount_play: Turn = None
    """Limit of a clamp's slip between run-out compensation and reading, each way."""
    mount_centring: Size = None
    """Limit of a target's place from where its mount should hold it, each way."""
    tower_turn: Turn = None
    """Standard, of a tower's rotation between registration and use, about each axis."""
    tower_shift: Size = None
    """Standard, of a tower's shift between registration and use, along each axis."""
    temperature: Kelvin = None
    """Limit of the bay's temperature from that at registration."""
    temperature_in_registration: Kelvin = None
    """Limit of its change while the bar is carried through its places."""
    temperature_from_calibration: Kelvin = None
    """Limit of the bar's temperature at registration from that of its calibration."""
    temperature_across: Kelvin = None
    """Limit of the temperature difference across a tower's column."""
    target_expansion: Expansion = None
    """Relative expansion of a target's plate."""
    bar_expansion: Expansion = None
    """Relative expansion of the bar."""
    column_expansion: Expansion = None
    """Relative expansion of a tower's column."""
    lens_expansion: Expansion = None
    """Relative change of a camera's focal length."""
    column_depth: Annotated[float, Quantity("length", "1 cm", "2 m")] | None = None
    """Of a tower's column, over which a temperature difference bends it."""
    operator: Turn = None
    """Standard, of toe and camber from one setting to the next, beyond all that."""

    @field_validator("roll_angles")
    @classmethod
    def _apart(cls, angles: tuple[float, ...] | None) -> tuple[float, ...] | None:
        # 1 degree between the outermost: less leaves the axis to noise alone
        if angles is not None and max(angles) - min(angles) < 0.0174:
            raise ValueError("needs two angles or more, 1 deg apart at least")
        return angles

    def to_terms(self) -> BudgetTerms:
        """Return the terms, defaults filled in."""
        return BudgetTerms(**given(self))
