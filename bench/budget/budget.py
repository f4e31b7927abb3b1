"""The uncertainty budget of toe, camber and thrust angle: each vehicle at each station."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from bench.budget.chain import Chain, Measurand
from bench.budget.inputs import CONTRIBUTIONS, causes_of
from bench.budget.measured import (
    NOTHING,
    Measured,
    camera_errors,
    level_in_bay,
    measured_steps,
)
from bench.budget.montecarlo import (
    VALIDATION,
    MonteCarlo,
    agreement,
    monte_carlo,
)
from bench.budget.propagation import FirstOrder, first_order
from bench.budget.registration import (
    RegistrationResponse,
    planned_steps,
    registration_response,
)
from bench.budget.views import wheel_views
from bench.conformity import DEFAULT, LEVEL, Decision, Rule, State, decide_uncertainty
from bench.defaults import CONFIDENCE
from bench.registration.plan import in_bay
from bench.registration.words import turn_words
from bench.scene.bar import BarPose
from bench.scene.model import Bay, Tolerance
from bench.scene.tower_pair import watching_pair
from bench.scene.vehicle import Station, Vehicle, wheels_at
from bench.sighting.prediction import Predictor
from bench.solve.response import CameraErrors
from bench.typing import Array, BoolArray

# Of a standard uncertainty, to which both methods must agree (JCGM 101, 8.1): half a unit in
# the only digit, 0.005 deg where the standard uncertainty is 0.01 to 0.09 deg.
DIGITS = 1
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Line:
    """What a budget says of one measurand; angles in degrees.

    Attributes
    ----------
    vehicle, station : str
        Names.
    behind : float
        Of its axle from the near one, metres; of the thrust angle, the far axle's.
    measurand : Measurand
        What is measured.
    sigma, k, expanded : float
        Combined standard uncertainty, coverage factor and expanded uncertainty, first order.
    contributions : tuple of float
        Standard uncertainty from each of `CONTRIBUTIONS`.
    trials_sigma, trials_low, trials_high : float
        Standard deviation and coverage interval by Monte Carlo, about the true value.
    agree : bool
        Whether first order and Monte Carlo agree (JCGM 101, 8.1).
    tolerance : float
        NaN where there is none.
    rule, level : Rule, float
        By which it is judged, see `bench.conformity`.
    """

    vehicle: str
    station: str
    behind: float
    measurand: Measurand
    sigma: float
    k: float
    expanded: float
    contributions: tuple[float, ...]
    trials_sigma: float
    trials_low: float
    trials_high: float
    agree: bool
    tolerance: float
    rule: Rule = DEFAULT
    level: float = LEVEL

    @property
    def judged(self) -> float:
        """What is held against the tolerance: the larger of both methods' half widths."""
        return max(self.expanded, -self.trials_low, self.trials_high)

    @property
    def share(self) -> float:
        """Of the tolerance that it takes; NaN where there is none."""
        return self.judged / self.tolerance

    @property
    def decision(self) -> Decision:
        """Whether it is inside its tolerance."""
        return decide_uncertainty(self.judged, self.tolerance, self.k, self.rule, self.level)

    @property
    def answer(self) -> State:
        """The decision's state."""
        return self.decision.state

    @property
    def largest(self) -> str:
        """The contribution to attack first."""
        return CONTRIBUTIONS[int(np.argmax(self.contributions))]

    def with_halved(self, contribution: str) -> float:
        """Return the expanded uncertainty, first order, with one contribution halved."""
        part = self.contributions[CONTRIBUTIONS.index(contribution)]
        return self.k * math.sqrt(max(self.sigma**2 - 0.75 * part**2, 0.0))


@dataclass(frozen=True, eq=False)
class Budget:
    """A bay's budget.

    Attributes
    ----------
    lines : tuple of Line
        Every measurand of every vehicle at every station.
    trials : int
        Monte Carlo trials, the most of a vehicle.
    stable : bool
        Whether all are stable enough to validate first order by (JCGM 101, 8.2).
    confidence : float
        Of expanded uncertainties and intervals.
    basis : tuple of str
        What it stands on, in words.
    measured : dict of str to str
        Which parts were measured on site, and the file that says so.
    """

    lines: tuple[Line, ...]
    trials: int
    stable: bool
    confidence: float
    basis: tuple[str, ...]
    measured: dict[str, str] = field(default_factory=dict)

    @property
    def judged(self) -> tuple[Line, ...]:
        """Lines that have a tolerance."""
        return tuple(line for line in self.lines if math.isfinite(line.tolerance))

    @property
    def worst(self) -> Line:
        """The line that takes the largest share of its tolerance."""
        return max(self.judged, key=lambda line: line.share)

    @property
    def difference(self) -> float:
        """The largest difference between both methods' ends of a coverage interval, degrees."""
        return max(
            max(abs(line.trials_high - line.expanded), abs(line.trials_low + line.expanded))
            for line in self.lines
        )

    @property
    def inside(self) -> bool:
        """Whether every line is inside its tolerance."""
        return all(line.answer == "inside" for line in self.judged)


@dataclass(frozen=True, eq=False)
class Setting:
    """What a budget is made for.

    Attributes
    ----------
    bay : Bay
        As it stands.
    predictor : Predictor
        What the noise of poses is predicted from.
    registration : RegistrationResponse
        Of the registration, measured or rehearsed.
    level : (2, 2) float64
        Covariance of the level about the bay's x and y, radians².
    cameras : (CameraErrors, CameraErrors)
        What isn't known of the left and the right tower's camera.
    measured : Measured
        What of all that was measured.
    """

    bay: Bay
    predictor: Predictor
    registration: RegistrationResponse
    level: Array
    cameras: tuple[CameraErrors, CameraErrors]
    measured: Measured


def setting_of(
    bay: Bay,
    predictor: Predictor,
    poses: Sequence[BarPose],
    level: Array,
    measured: Measured = NOTHING,
) -> Setting:
    """Return a setting: what was measured is taken, the rest rehearsed.

    Parameters
    ----------
    bay : Bay
        With the calibrated cameras, see `bench.budget.measured.checked`.
    predictor : Predictor
        What the noise of poses is predicted from.
    poses : sequence of BarPose
        Places of the bar where no registration was measured.
    level : (2, 2) float64
        Covariance of the level where none was measured.
    measured : Measured
        Results from site.

    Raises
    ------
    ConfigError
        See `registration_response` and `towers_of`.
    """
    watching_pair(bay)
    errors = camera_errors(bay, measured)
    if measured.level is not None:
        level = level_in_bay(bay, measured.level.value)
    if measured.registration is None:
        steps = planned_steps(bay, poses)
        answer = registration_response(bay, steps, predictor.sigma_px, errors)
    else:
        value = measured.registration.value
        answer = registration_response(bay, measured_steps(bay, value), predictor.sigma_px, errors)
        # causes act as the places of the bar let them; the noise is what the pictures had
        answer = replace(answer, covariance=np.array(value.covariance_from_noise))
    return Setting(bay, predictor, answer, level, errors, measured)


def chain_of(setting: Setting, vehicle: Vehicle, station: Station) -> Chain:
    """Return the measurement chain of a vehicle at a station.

    Raises
    ------
    ConfigError
        A target isn't wholly in its tower's picture in some reading.
    """
    bay = setting.bay
    towers = watching_pair(bay)
    views = wheel_views(
        bay,
        wheels_at(vehicle, station),
        {axle.name: axle.tyre_radius for axle in vehicle.axles},
        setting.predictor,
        bay.budget.roll_angles,
        setting.cameras,
    )
    causes = causes_of(views, towers, bay.budget, setting.registration, setting.level)
    return Chain(views, towers, causes)


def budget_of(
    setting: Setting,
    seed: int,
    most_trials: int,
    confidence: float = CONFIDENCE,
    progress: Progress | None = None,
) -> Budget:
    """Return a bay's budget.

    Parameters
    ----------
    setting : Setting
        What it is made for.
    seed : int
        Of all randomness.
    most_trials : int
        Of a vehicle at a station, at which Monte Carlo gives up.
    confidence : float
        Of expanded uncertainties and intervals.
    progress : callable or None
        Told vehicles done and their number.

    Raises
    ------
    ConfigError
        See `chain_of`.
    """
    bay = setting.bay
    lines: list[Line] = []
    most, stable = 0, True
    pairs = [(vehicle, station) for station in bay.stations for vehicle in bay.vehicles]
    chains = [chain_of(setting, *pair) for pair in pairs]
    for done, ((vehicle, station), chain) in enumerate(zip(pairs, chains, strict=True)):
        if progress is not None:
            progress(done, len(pairs))
        first = first_order(chain, chain.causes.inputs, confidence)
        trials = monte_carlo(
            chain,
            chain.causes.inputs,
            seed,
            f"budget {vehicle.name} {station.name}",
            confidence,
            DIGITS,
            VALIDATION,
            most_trials,
        )
        most, stable = max(most, trials.trials), stable and trials.stable
        agree = agreement(first, trials, DIGITS)
        lines += _lines(bay.tolerance, vehicle, station, chain.measurands, first, trials, agree)
    if progress is not None:
        progress(len(pairs), len(pairs))
    return Budget(
        tuple(lines), most, stable, confidence, _basis(setting, chains), setting.measured.sources
    )


def _lines(
    tolerance: Tolerance,
    vehicle: Vehicle,
    station: Station,
    measured: Sequence[Measurand],
    first: FirstOrder,
    trials: MonteCarlo,
    agree: BoolArray,
) -> list[Line]:
    behind = {axle.name: axle.behind for axle in vehicle.axles}
    limits = {"toe": tolerance.toe, "camber": tolerance.camber, "thrust": tolerance.thrust}
    return [
        Line(
            vehicle.name,
            station.name,
            behind.get(measurand.axle, vehicle.wheelbase),
            measurand,
            float(first.sigma[q]),
            float(first.coverage_factor[q]),
            float(first.expanded[q]),
            tuple(float(first.contributions[name][q]) for name in CONTRIBUTIONS),
            float(trials.sigma[q]),
            float(trials.low[q]),
            float(trials.high[q]),
            bool(agree[q]),
            math.degrees(limits.get(measurand.kind, math.nan)),
            tolerance.rule,
            tolerance.confidence,
        )
        for q, measurand in enumerate(measured)
    ]


def _basis(setting: Setting, chains: Sequence[Chain]) -> tuple[str, ...]:
    terms, level = setting.bay.budget, np.degrees(np.sqrt(np.diag(setting.level)))
    angles = ", ".join(f"{math.degrees(a):.0f}" for a in terms.roll_angles)
    turn, _ = in_bay(setting.bay, setting.registration.covariance)
    noise = (
        f"corners to {setting.predictor.sigma_px:g} px"
        if setting.measured.registration is None
        else "the noise of its pictures"
    )
    readings = [r for chain in chains for v in chain.views for r in (*v.rolled, v.rest)]
    unmeasured = sum(not reading.measured for reading in readings)
    beyond = (
        f"; {unmeasured} of {len(readings)} readings lie where the map has no ratio of its own, "
        "and have the nearest one's"
    )
    return (
        f"target poses: {setting.predictor.basis}{beyond if unmeasured else ''}",
        f"registration: {setting.registration.steps} places of the bar, one tower against the "
        f"other from {noise}: {turn_words(turn)} (standard)",
        f"level: {level[0]:.4f} deg across the bay (about its x, to camber) and "
        f"{level[1]:.4f} deg along it (about its y; standard)",
        f"run-out: readings of the wheel rolled by {angles} deg, and one at rest",
        *setting.measured.words,
    )
