"""Plans of surveys: a grid of cells, its trials, and everything else that decides numbers.

A cell is a nominal range, turn and pitch. Within it every trial differs a little in sub-pixel
phase, roll, turn, pitch and range, spread quasi-randomly: with the target held still against
the pixel grid, errors that come from pixel boundaries would repeat instead of showing.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from bench.digest import content_digest, key_digest, later
from bench.errors import ConfigError
from bench.geometry.camera import Camera
from bench.geometry.viewing import View
from bench.provenance import library_versions
from bench.survey.sequence import cell_shift, point, recurrence_steps
from bench.typing import Array

# Raise when a change makes the same plan give other numbers or other columns.
SCHEMA = 7
# What varies within a cell: column and row of the sub-pixel phase, roll, turn, pitch, range.
DIMENSIONS = 6
# A target seen more nearly edge-on than this shows no face that a marker could be read from.
MAX_TILT_DEG = 89.0
MAX_RANGE_M = 1000.0  # a metre wide target is 3 px there at f = 3000 px
Position = tuple[float, float]
# In place of a position: one of the places where a bay's wheels appear, drawn for each case.
WHEELS: Literal["wheels"] = "wheels"
Place = Position | Literal["wheels"] | None
# Wheels count as being at a cell's range within this factor of it, or of the nearest of them.
LIKE_RANGE = 1.25


def number(value: float) -> str:
    """Return a number as keys have it: ten significant digits, no trailing zeros."""
    return f"{value + 0.0:.10g}"  # + 0.0 turns a negative zero into zero


def nominal(value: float) -> float:
    """Return the value that a key's number stands for."""
    return float(number(value))


def grid_tilt_deg(turn_deg: float, pitch_deg: float) -> float:
    """Return the nominal tilt of a cell, degrees: arccos(cos turn cos pitch)."""
    if turn_deg == 0.0 or pitch_deg == 0.0:
        return abs(turn_deg + pitch_deg)  # exact where the arc cosine would round
    cosine = math.cos(math.radians(turn_deg)) * math.cos(math.radians(pitch_deg))
    return math.degrees(math.acos(cosine))


@dataclass(frozen=True)
class Case:
    """One picture of a survey.

    Attributes
    ----------
    index : int
        Place in the plan's order; no number in the tables depends on it.
    range_m, turn_deg, pitch_deg : float
        Nominal values of the cell.
    position : (float, float), "wheels" or None
        Where the target's centre lies in the frame, fractions across and down; None is the
        principal point, "wheels" one of the plan's `wheels`.
    trial : int
        From 0.
    """

    index: int
    range_m: float
    turn_deg: float
    pitch_deg: float
    position: Place
    trial: int

    @property
    def position_name(self) -> str:
        """``axis``, ``wheels``, or fractions of the frame such as ``0.25,0.5``."""
        if self.position == WHEELS:
            return WHEELS
        return "axis" if self.position is None else ",".join(map(number, self.position))

    @property
    def cell_key(self) -> str:
        """What the trials of one cell and position share."""
        return (
            f"r={number(self.range_m)}|turn={number(self.turn_deg)}"
            f"|pitch={number(self.pitch_deg)}|pos={self.position_name}"
        )

    @property
    def key(self) -> str:
        """The picture's identity: its random numbers depend on this and the seed alone."""
        return f"{self.cell_key}|trial={self.trial}"

    @property
    def bay(self) -> str:
        """Which bay it is of: trial k is bay k in every cell.

        Each position given by hand has bays of its own, so that no cell has two pictures of
        one bay.
        """
        own = self.position is not None and self.position != WHEELS
        return f"{self.trial} at {self.position_name}" if own else str(self.trial)


@dataclass(frozen=True)
class Plan:
    """Everything that decides the numbers of a survey.

    Attributes
    ----------
    ranges_m, turns_deg, pitches_deg : tuple of float
        The grid, in the units of keys and tables.
    positions : tuple of (float, float) or None
        Where in the frame, see `Case.position`; each gets all trials.
    trials : int
        Pictures a cell and position.
    pipelines : tuple of str
        Names, detector/solver; all see the same pictures.
    seed : int
        Of all random numbers.
    roll_deg : float
        Nominal roll.
    roll_spread_deg : float
        Half width of roll's variation. The default of 15 degrees is what a target set level
        by eye or rolled a little with its wheel may show; it moves the edges of a small
        target across several pixel rows, which a roll near 0 would not.
    tilt_spread_deg : float
        Half width of turn's and of pitch's variation.
    range_spread : float
        Half width of range's variation, a fraction of it.
    tower : str
        Whose camera it is.
    camera, imaging, target : str
        Digests of what the pictures are made from.
    versions : tuple of (str, str)
        Of the bench and the libraries that compute.
    schema : int
        Of the tables.
    imperfections : str
        Digest of the sizes that bays are drawn from; empty where all is as drawn.
    wheels : tuple of (float, float, float)
        Where "wheels" are: range, metres, and fractions across and down the frame.
    one : str
        The one bay of all pictures, as `bench.built.one_bay.one_bay_text`; empty for a bay a
        trial.

    Raises
    ------
    ConfigError
        A list is empty or repeats itself, or a number is outside its limits.
    """

    ranges_m: tuple[float, ...]
    turns_deg: tuple[float, ...]
    pipelines: tuple[str, ...]
    trials: int
    seed: int
    pitches_deg: tuple[float, ...] = (0.0,)
    positions: tuple[Place, ...] = (None,)
    roll_deg: float = 0.0
    roll_spread_deg: float = 15.0
    tilt_spread_deg: float = 1.0
    range_spread: float = 0.01
    tower: str = ""
    camera: str = ""
    imaging: str = ""
    target: str = ""
    versions: tuple[tuple[str, str], ...] = field(default_factory=library_versions)
    schema: int = SCHEMA
    imperfections: str = later("")
    wheels: tuple[tuple[float, float, float], ...] = later(())
    one: str = later("")

    def __post_init__(self) -> None:
        for name in ("ranges_m", "turns_deg", "pitches_deg"):
            values = tuple(sorted(nominal(v) for v in getattr(self, name)))
            object.__setattr__(self, name, values)
        object.__setattr__(self, "pipelines", tuple(sorted(self.pipelines)))
        _check(self)

    @property
    def n_cells(self) -> int:
        """Cells of the grid; each pipeline fills them all."""
        return len(self.ranges_m) * len(self.turns_deg) * len(self.pitches_deg)

    @property
    def n_pictures(self) -> int:
        """Pictures in all."""
        return self.n_cells * len(self.positions) * self.trials

    @property
    def n_rows(self) -> int:
        """Rows of the table of cases: pictures times pipelines."""
        return self.n_pictures * len(self.pipelines)

    def case(self, index: int) -> Case:
        """Return the index-th case.

        Trials run slowest, so that an unfinished run has looked at every cell and the pace of
        the first minute is the pace of the rest.
        """
        rest, position = divmod(index, len(self.positions))
        rest, pitch = divmod(rest, len(self.pitches_deg))
        rest, turn = divmod(rest, len(self.turns_deg))
        trial, range_ = divmod(rest, len(self.ranges_m))
        return Case(
            index=index,
            range_m=self.ranges_m[range_],
            turn_deg=self.turns_deg[turn],
            pitch_deg=self.pitches_deg[pitch],
            position=self.positions[position],
            trial=trial,
        )

    def cases(self) -> Iterator[Case]:
        """Iterate over all cases."""
        return map(self.case, range(self.n_pictures))

    @property
    def digest(self) -> str:
        """Digest of the plan: equal plans give equal tables."""
        return content_digest(self)

    def as_dict(self) -> dict[str, Any]:
        """Return the plan as what JSON can hold."""
        plan = dataclasses.asdict(self)
        plan["versions"] = dict(self.versions)
        return plan


def differences(here: dict[str, Any], asked: dict[str, Any]) -> list[str]:
    """Name what differs between two plans (see `Plan.as_dict`), each with both values."""
    found = []
    for name in sorted(here.keys() | asked.keys()):
        mine, theirs = here.get(name), asked.get(name)
        if isinstance(mine, dict) and isinstance(theirs, dict):
            found += differences(mine, theirs)
        elif name == "rule":
            mine, theirs = ("none" if r is None else "a contour's" for r in (mine, theirs))
            found.append(f"rule is {mine} there, {theirs} is asked for")
        elif name == "schema" and mine != theirs:
            found.append(
                f"its tables are of version {_show(mine)}, this sightbench makes version "
                f"{_show(theirs)} and can read but not go on with those"
            )
        elif _plain(mine) != _plain(theirs):
            words = (_show(plan[name]) if name in plan else "not known" for plan in (here, asked))
            found.append("{} is {} there, {} is asked for".format(name, *words))
    return found


def _plain(value: Any) -> Any:
    # JSON knows no tuples
    return [_plain(v) for v in value] if isinstance(value, list | tuple) else value


def _show(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(_show(v) for v in value)
    if value is None:
        return "axis"
    return number(value) if isinstance(value, float) else str(value)


def view_of_case(case: Case, plan: Plan, camera: Camera) -> View:
    """Return how the target is held in a case: the cell's nominal view and its variation."""
    shift = _shift(plan.seed, case.cell_key)
    vary = 2.0 * point(shift, recurrence_steps(DIMENSIONS), case.trial) - 1.0
    u, v = position_pixel(position_of_case(case, plan), camera)
    return View(
        range_m=case.range_m * (1.0 + plan.range_spread * vary[5]),
        turn=math.radians(case.turn_deg + plan.tilt_spread_deg * vary[3]),
        pitch=math.radians(case.pitch_deg + plan.tilt_spread_deg * vary[4]),
        roll=math.radians(plan.roll_deg + plan.roll_spread_deg * vary[2]),
        pixel=(u + 0.5 * vary[0], v + 0.5 * vary[1]),
    )


def position_of_case(case: Case, plan: Plan) -> Position | None:
    """Return the place in the frame of a case; of wheels, one drawn for it."""
    if case.position != WHEELS:
        return case.position
    _, across, down = wheels_near(plan.wheels, case.range_m)[_wheel_drawn(case, plan)]
    return across, down


def _wheel_drawn(case: Case, plan: Plan) -> int:
    sequence = np.random.SeedSequence([plan.seed, key_digest(f"{case.key}|wheel")])
    n = len(wheels_near(plan.wheels, case.range_m))
    return int(np.random.default_rng(sequence).integers(n))


def wheels_near(
    wheels: tuple[tuple[float, float, float], ...], range_m: float
) -> tuple[tuple[float, float, float], ...]:
    """Return those of a plan's wheels that are about as far as a range, or the next to it.

    A target at 2.5 m isn't seen where a rear wheel is, nor cut off as it would be there.
    """
    off = [abs(math.log(one[0] / range_m)) for one in wheels]
    near = max(math.log(LIKE_RANGE), min(off) + math.log(LIKE_RANGE))
    return tuple(one for one, away in zip(wheels, off, strict=True) if away <= near)


def noise_rng(case: Case, seed: int) -> np.random.Generator:
    """Return the generator of a case's sensor noise."""
    return np.random.default_rng(np.random.SeedSequence([seed, key_digest(case.key)]))


def position_pixel(position: Position | None, camera: Camera) -> Position:
    """Return the pixel of a position in the frame; 0 and 1 are the outer edges of the sensor."""
    if position is None:
        return camera.cx, camera.cy
    return position[0] * camera.width - 0.5, position[1] * camera.height - 0.5


@lru_cache(maxsize=4096)
def _shift(seed: int, cell_key: str) -> Array:
    return cell_shift(seed, cell_key, DIMENSIONS)


def _check(plan: Plan) -> None:
    """Refuse a plan that can't be carried out."""
    lists = {
        "ranges": plan.ranges_m,
        "turns": plan.turns_deg,
        "pitches": plan.pitches_deg,
        "positions": plan.positions,
        "pipelines": plan.pipelines,
    }
    for name, values in lists.items():
        if not values:
            raise ConfigError(f"{name}: at least one is needed")
        if len(set(values)) != len(values):
            raise ConfigError(f"{name}: a value is given twice in {_show(values)}")
    for r in plan.ranges_m:
        if not (math.isfinite(r) and r > 0.0):
            raise ConfigError(f"ranges: {number(r)} m is not a positive length")
        if r > MAX_RANGE_M:
            raise ConfigError(f"ranges: {number(r)} m is beyond {number(MAX_RANGE_M)} m")
    for name, angles in (("turns", plan.turns_deg), ("pitches", plan.pitches_deg)):
        for angle in angles:
            if not abs(angle) + plan.tilt_spread_deg <= MAX_TILT_DEG:
                limit = number(MAX_TILT_DEG - plan.tilt_spread_deg)
                raise ConfigError(f"{name}: {number(angle)} deg is beyond ±{limit} deg")
    for position in plan.positions:
        if position == WHEELS:
            if not plan.wheels:
                raise ConfigError("position: no wheel of the bay is in this camera's picture")
        elif position is not None and not all(0.0 <= p <= 1.0 for p in position):
            raise ConfigError(
                f"position: {_show(position)} lies outside the frame; fractions across and "
                "down run from 0 to 1"
            )
    _check_limits("trials", plan.trials, 1, 10_000_000)
    _check_limits("seed", plan.seed, 0, 2**63 - 1)
    _check_limits("roll (deg)", plan.roll_deg, -180.0, 180.0)
    _check_limits("roll spread (deg)", plan.roll_spread_deg, 0.0, 180.0)
    _check_limits("tilt spread (deg)", plan.tilt_spread_deg, 0.0, 10.0)
    _check_limits("range spread", plan.range_spread, 0.0, 0.2)


def _check_limits(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise ConfigError(f"{name}: {value} lies outside {low:g} to {high:g}")
