"""The state of the live bench: every control's value, as a permalink holds it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from bench.errors import BenchError
from bench.explore.controls import ALONE, CHOICES, CONTROL, CONTROLS, Control
from bench.survey.plan import nominal, number

LONGEST = 60  # characters of a refused text that are shown again


@dataclass(frozen=True)
class Problem:
    """A control whose value can't be taken; `control` is empty where it is none's alone."""

    control: str
    message: str


INSTEAD = Problem("", "The bay's own values are shown instead.")  # of an address that is refused


class StateError(BenchError):
    """One or more controls have values that can't be taken."""

    def __init__(self, *problems: Problem) -> None:
        super().__init__(" ".join(problem.message for problem in problems))
        self.problems = problems


@dataclass(frozen=True)
class State:
    """Value of every control; units as in `bench.explore.controls`.

    Numbers are kept to ten significant digits, which is what a permalink shows, so that a
    state and its permalink are the same thing.
    """

    tower: str
    target: str
    pipeline: str
    bay: str
    range_m: float
    turn_deg: float
    pitch_deg: float
    roll_deg: float
    roll_spread_deg: float
    across: float
    down: float
    light: float
    brighter_right: float
    brighter_down: float
    blur_px: float
    f_number: float
    focus_m: float
    motion_right_px: float
    motion_down_px: float
    dark_noise_e: float
    full_well_e: float
    seed: float
    plate_mm: float
    reflection: float
    reflection_right_mm: float
    reflection_up_mm: float
    reflection_size_mm: float
    dirt: float
    dirt_depth: float
    compare: str = ALONE

    def __post_init__(self) -> None:
        for control in CONTROLS:
            object.__setattr__(self, control.name, nominal(getattr(self, control.name)))

    def permalink(self) -> str:
        """Return the state as a URL's query, every control named."""
        return urlencode({name: shown(value) for name, value in self.as_dict().items()})

    def with_gaussian(self, blur_px: float) -> State:
        """Return the state by a lens of Gaussian blur alone, and at rest."""
        return dataclasses.replace(
            self,
            blur_px=blur_px,
            f_number=0.0,
            focus_m=0.0,
            motion_right_px=0.0,
            motion_down_px=0.0,
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the values by their controls' names."""
        return dataclasses.asdict(self)


def shown(value: Any) -> str:
    """Return a value as a permalink and the page have it."""
    return value if isinstance(value, str) else number(value)


def read_state(given: Mapping[str, str], default: State) -> State:
    """Return the state that a permalink's fields describe; what is missing is the default's.

    Parameters
    ----------
    given : mapping of str to str
        Text by control.
    default : State
        Of the bay.

    Raises
    ------
    StateError
        A field is no control's, or a number is none or outside its limits: one problem each.
        Whether a choice exists is for `bench.explore.place` to say.
    """
    values: dict[str, Any] = default.as_dict()
    problems = []
    for name, text in given.items():
        if name in CHOICES:
            values[name] = text
        elif name in CONTROL:
            try:
                values[name] = _read(text, CONTROL[name], getattr(default, name))
            except ValueError as error:
                problems.append(Problem(name, str(error)))
        else:
            problems.append(Problem("", f"There is no control '{_short(name)}'."))
    if problems:
        raise StateError(*problems)
    return State(**values)


def _read(text: str, control: Control, default: float) -> float:
    """Return a control's number; ValueError says why there is none."""
    wanted = f"it must be a {'whole ' if control.whole else ''}number {control.limits}"
    try:
        value = float(text)
    except ValueError:
        said = f"is '{_short(text)}'" if text.strip() else "is empty"
        raise ValueError(f"{control.label} {said}; {wanted}.") from None
    # what the bay's own file says is allowed, whatever the sliders' ends
    whole = not control.whole or value.is_integer()  # no infinity is one
    if not math.isfinite(value) or not whole or not (control.allows(value) or value == default):
        unit = f" {control.unit}" if control.unit else ""
        raise ValueError(f"{control.label} is {_short(text.strip())}{unit}; {wanted}.")
    return value


def _short(text: str) -> str:
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean if len(clean) <= LONGEST else clean[: LONGEST - 1] + "…"
