"""Level: which way is up for cameras, from a bar that turns about its level long axis.

Each *setting* is the bar in one place, one way round, turned about its long axis at two angles
or more. A tower finds from its pictures the direction u of that axis and the place P where the
axis passes its target (`bench.solve.wheel_axis`). With n the upward unit vector, r = ±1 for the
bar one way round or reversed end for end, e the angle between the turning axis and the bar's
seat (or its spirit level's zero): the bar's own error, and y = ±1 for the left or right end::

    n · u = slope + r e
    n · P = h + height + middle + y (length/2) (slope + r e)

slope is what the reference leaves: with a spirit level the setting's reading error, afresh at
each setting; on a floor the difference of the two supports' heights, the same both ways round.
So the reversal tells e apart, which cancels, and leaves the supports' error (the reversal of
levels and straightedges: Evans, Hocken and Estler 1996, "Self-calibration: reversal,
redundancy, error separation, and 'absolute testing'", CIRP Annals 45/2). u gives the level
across the bay; along the bay it takes two distances and the heights that the bar had there.

The estimate is generalised least squares over n, h and e, with the covariance of all sources
together; each source's own share is kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bench.errors import GeometryError
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.registration.level_equations import (
    NOTHING,
    Kind,
    Reference,
    Setting,
    row_of,
    sources_of,
    system_of,
)
from bench.solve.turning import frame_about
from bench.typing import Array

# A tower stands as planned within this, radians, standard: all that is known of a direction
# that the settings leave open; so is any direction whose uncertainty is above OPEN.
UPRIGHT = math.radians(5.0)
OPEN = math.radians(1.0)


@dataclass(frozen=True, eq=False)
class Up:
    """The upward direction in a tower's camera frame.

    Attributes
    ----------
    tower : str
        Whose.
    direction : (3,) float64
        Unit vector.
    shares : mapping of str to (3, 3) float64
        Covariance of the rotation δ, up = exp(δ) direction, by source, radians².
    """

    tower: str
    direction: Array
    shares: Mapping[str, Array]

    @property
    def covariance(self) -> Array:
        """The sum of the shares, (3, 3)."""
        return np.asarray(np.sum(list(self.shares.values()), axis=0))


@dataclass(frozen=True, eq=False)
class Linear:
    """A level's least squares about its estimate: two equations a setting, slope and height.

    Attributes
    ----------
    ups : tuple of (3,) float64
        Up in each frame.
    turns : (3, 2 S) float64
        Turn of the first frame's up by a change of each equation.
    rest : (2 S, 2 S) float64
        Of chi-square by such a change v: vᵀ rest v.
    """

    ups: tuple[Array, ...]
    turns: Array
    rest: Array


@dataclass(frozen=True, eq=False)
class Level:
    """What the settings tell.

    Attributes
    ----------
    ups : tuple of Up
        For each tower.
    bar_error : float or None
        The bar's own error, radians, where it was reversed.
    bar_error_sigma : float
        Its standard uncertainty, radians; the one given where it wasn't reversed.
    chi2, dof : float, int
        Weighted sum of squared residuals, and its degrees of freedom.
    kind : {"level", "floor"}
        What was found: up against gravity, or the floor's normal.
    linear : Linear
        The system about it.
    """

    ups: tuple[Up, ...]
    bar_error: float | None
    bar_error_sigma: float
    chi2: float
    dof: int
    kind: Kind
    linear: Linear

    def up(self, tower: str) -> Up:
        """Return a tower's."""
        return next(up for up in self.ups if up.tower == tower)


def find_level(
    settings: Sequence[Setting],
    reference: Reference,
    T_left_right: Pose | None = None,
    registration: Array | None = None,
    expected: Mapping[str, Array] | None = None,
) -> Level:
    """Return the upward direction for each tower.

    Parameters
    ----------
    settings : sequence of Setting
        From one tower or both.
    reference : Reference
        What the bar was level by.
    T_left_right : Pose, optional
        The right camera in the left one's frame. With it both towers find one level together
        and the line from end to end counts, far sharper than the turning axis; without it each
        finds its own.
    registration : (6, 6) float64, optional
        Its covariance: ω about the right camera's axes, τ in the left one's frame.
    expected : mapping of str to (3,) float64, optional
        Upward in each camera's frame as planned; up in the picture when left out.

    Raises
    ------
    GeometryError
        No settings, or one whose bar wasn't turned enough.
    """
    if not settings:
        raise GeometryError("a level needs settings of the bar, got none")
    names = tuple(dict.fromkeys(s.tower for s in settings))
    frames = names if T_left_right is None else ("left",)
    rows = [row_of(s, frames, T_left_right) for s in settings]
    free = len({s.reversed for s in settings}) == 2
    sources = sources_of(rows, reference, free, registration)
    planned = [
        np.array([0.0, -1.0, 0.0]) if expected is None else np.asarray(expected[name])
        for name in frames
    ]
    ups = planned
    for _ in range(4):
        bases = [frame_about(up)[:, :2] for up in ups]
        design, left, noise = system_of(rows, ups, bases, free, sources)
        total = np.sum(list(noise.values()), axis=0)
        weight = np.linalg.inv(total)
        prior = np.zeros(design.shape[1])
        prior[: 2 * len(frames)] = UPRIGHT**-2
        inverse = np.linalg.inv(design.T @ weight @ design + np.diag(prior))
        # the prior's pull is to what was planned, never to the last step
        start = np.concatenate(
            [b.T @ _turn_between(p, up) for b, p, up in zip(bases, planned, ups, strict=True)]
            + [np.zeros(design.shape[1] - 2 * len(frames))]
        )
        step = inverse @ (design.T @ weight @ left - prior * start)
        ups = [exp_rotvec(bases[i] @ step[2 * i : 2 * i + 2]) @ up for i, up in enumerate(ups)]
    rest = left - design @ step
    gain = inverse @ design.T @ weight
    shares = {name: gain @ part @ gain.T for name, part in noise.items()}
    shares[NOTHING] = inverse @ np.diag(prior) @ inverse
    found = []
    for name in names:
        i = 0 if T_left_right is not None else frames.index(name)
        turn = np.eye(3)
        if T_left_right is not None and name == "right":
            turn = T_left_right.rotation.T
        own = {
            source: turn
            @ bases[i]
            @ part[2 * i : 2 * i + 2, 2 * i : 2 * i + 2]
            @ bases[i].T
            @ turn.T
            for source, part in shares.items()
        }
        found.append(Up(name, turn @ ups[i], own))
    whole = np.sum(list(shares.values()), axis=0)
    return Level(
        tuple(found),
        float(step[-1]) if free else None,
        math.sqrt(float(whole[-1, -1])) if free else reference.bar,
        float(rest @ weight @ rest),
        # an unknown that only the prior holds takes no degree of freedom
        len(rest) - round(float(np.trace(gain @ design))),
        reference.kind,
        Linear(tuple(ups), bases[0] @ gain[:2], weight - weight @ design @ gain),
    )


def equations(settings: Sequence[Setting], linear: Linear, T_left_right: Pose | None) -> Array:
    """Return what each setting's two equations leave to explain (2 S,): a slope, and a height."""
    names = tuple(dict.fromkeys(s.tower for s in settings))
    frames = names if T_left_right is None else ("left",)
    found = []
    for setting in settings:
        row = row_of(setting, frames, T_left_right)
        up = linear.ups[row.frame]
        found += [up @ row.axis, up @ row.place - setting.height]
    return np.array(found)


def open_directions(covariance: Array, along: Array, across: Array) -> str:
    """Say in words which tilt a level's covariance (3, 3) leaves open; empty when none.

    Parameters
    ----------
    covariance : (3, 3) float64
        Of the rotation δ.
    along, across : (3,) float64
        Directions along the bay and across it (the bar's), in the same frame.
    """
    open_ = []
    if float(along @ covariance @ along) > OPEN**2:
        open_.append("across the bay (a rotation about its length)")
    if float(across @ covariance @ across) > OPEN**2:
        open_.append("along the bay (a rotation about the bar's axis)")
    return " and ".join(open_)


def _turn_between(start: Array, up: Array) -> Array:
    """Return the rotation vector that takes one unit vector to another."""
    cross = np.cross(start, up)
    sine = float(np.linalg.norm(cross))
    return cross if sine < 1e-12 else cross / sine * math.atan2(sine, float(start @ up))
