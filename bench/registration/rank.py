"""Rank of a set of bar poses: what it determines, and in plain words what it leaves open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.geometry.pose import Pose
from bench.registration.model import Model, Unknowns
from bench.solve.covariance import least_squares_covariance
from bench.typing import Array

# Of a direction, radians (or as a fraction of the bar's length): beyond it the linearisation
# that uncertainties rest on has gone, and nothing is known of the direction.
OPEN = 0.1
# Parts of a direction smaller than this fraction of its largest go without mention.
MENTIONED = 0.3
# Cosine from which an axis is called by a name: within 20 degrees.
ALIGNED = 0.94


@dataclass(frozen=True, eq=False)
class Direction:
    """One direction in which T_left_right and T_a_b can change together.

    Attributes
    ----------
    singular_value : float
        Of the whitened Jacobian with the bar poses taken out and rotations times the bar's
        length, 1/m: 0 where nothing is known.
    uncertainty : float
        Its standard uncertainty, radians at the bar's length; infinite where nothing is known.
    words : str
        What the direction is.
    """

    singular_value: float
    uncertainty: float
    words: str

    @property
    def is_open(self) -> bool:
        """Whether the poses leave it undetermined."""
        return not self.uncertainty < OPEN


def shared_rows(model: Model) -> list[Array]:
    """Return each step's Jacobian (M, 12) or (M, 6) with what its own bar pose can do taken out.

    The normal matrix is an arrow: T_left_right and T_a_b are in all steps, each bar pose in its
    own. Projecting off a step's bar pose leaves the shared part's normal matrix, the Schur
    complement, as a sum over steps. The bar's length, if observed, is a step of its own.
    """
    jacobian = model.jacobian(np.zeros(model.n_parameters)).toarray()
    found = []
    for index, rows in enumerate(model.rows):
        own = model.n_shared + 6 * index
        q, _ = np.linalg.qr(jacobian[rows, own : own + 6])
        shared = jacobian[rows, : model.n_shared]
        found.append(shared - q @ (q.T @ shared))
    if model.has_length:
        found.append(jacobian[-1:, : model.n_shared])
    return found


def lever_of(unknowns: Unknowns) -> float:
    """Return the length that turns rotations into distances: the bar's, or the towers' spacing."""
    bar = float(np.linalg.norm(unknowns.T_a_b.translation))
    return bar if bar > 0.0 else float(np.linalg.norm(unknowns.T_left_right.translation))


def directions(rows: Sequence[Array], unknowns: Unknowns) -> tuple[Direction, ...]:
    """Return the principal directions of the shared unknowns, the least determined first.

    Parameters
    ----------
    rows : sequence of (M, K) float64
        From `shared_rows`: of all steps, or of some.
    unknowns : Unknowns
        Where they were linearised.
    """
    stacked = np.vstack(list(rows))
    n = stacked.shape[1]
    lever = lever_of(unknowns)
    scale = np.tile(np.repeat([1.0 / lever, 1.0], 3), n // 6)
    _, triangle = np.linalg.qr(np.vstack((stacked * scale, np.zeros((n, n)))))
    _, singular, vt = np.linalg.svd(triangle)
    floor = 1e-12 * singular[0]  # rounding leaves 1e-16 of the largest
    found = []
    for s, v in zip(singular[::-1], vt[::-1], strict=True):
        uncertainty = 1.0 / (s * lever) if s > floor else np.inf
        words = _words(v * scale, unknowns, lever)
        found.append(Direction(float(s), float(uncertainty), words))
    return tuple(found)


def rank(found: Sequence[Direction]) -> int:
    """Return how many directions are determined."""
    return sum(not direction.is_open for direction in found)


def shared_covariance(rows: Sequence[Array]) -> Array | None:
    """Return the covariance (K, K) of the shared unknowns; None where one is undetermined."""
    try:
        return least_squares_covariance(np.vstack(list(rows)), 1.0)
    except np.linalg.LinAlgError:
        return None


def _words(v: Array, unknowns: Unknowns, lever: float) -> str:
    """Name a direction by what moves: the right tower before the left one, and B on the bar.

    The tower's motion is referred to the bar's mean place, about which a turn of the tower
    looks like a turn and not like a turn with a shift.
    """
    X = unknowns.T_left_right
    axes, place = bar_axes(unknowns)
    turned = X.rotation @ v[:3]
    shifted = v[3:6] + np.cross(turned, place - X.translation)
    parts = [
        (lever * np.linalg.norm(turned), f"the right tower turned about {_axis(turned, axes)}"),
        (np.linalg.norm(shifted), f"the right tower shifted along {_axis(shifted, axes)}"),
    ]
    if len(v) == 12:
        on_bar = _target_axes(unknowns.T_a_b)
        w, t = unknowns.T_a_b.rotation @ v[6:9], v[9:12]
        parts += [
            (lever * np.linalg.norm(w), f"target B turned on the bar about {_axis(w, on_bar)}"),
            (np.linalg.norm(t), f"target B shifted on the bar along {_axis(t, on_bar)}"),
        ]
    largest = max(size for size, _ in parts)
    return ", together with ".join(text for size, text in parts if size >= MENTIONED * largest)


def bar_axes(unknowns: Unknowns) -> tuple[dict[str, Array], Array]:
    """Return the bar's mean axes by name, and its mean place, in the left camera's frame."""
    Y = unknowns.T_a_b
    half = 0.5 * Y.translation
    place = np.mean([T @ half for T in unknowns.T_left_a], axis=0)
    if not np.linalg.norm(half) > 0.0:  # one target alone has no long axis
        return {"the towers' base line": _unit(unknowns.T_left_right.translation)} | {
            "the line of sight": _unit(place)
        }, place
    # a bar laid end for end points the other way
    along = [T.rotation @ -half for T in unknowns.T_left_a]
    along = [a if a @ along[0] >= 0.0 else -a for a in along]
    long = _unit(np.mean(along, axis=0))
    middle = 0.5 * unknowns.T_left_right.translation
    sight = _unit((place - middle) - ((place - middle) @ long) * long)
    named = {
        "the bar's long axis": long,
        "the line from the towers to the bar": sight,
        "the upright, square to the bar and to the line of sight": np.cross(long, sight),
    }
    return named, place


def _target_axes(T_a_b: Pose) -> dict[str, Array]:
    """Return the bar's own axes by name, in target A's frame."""
    long = _unit(-T_a_b.translation)
    normal = np.array([0.0, 0.0, 1.0])
    normal = _unit(normal - (normal @ long) * long)
    return {
        "its long axis": long,
        "the targets' facing direction": normal,
        "the targets' up": np.cross(normal, long),
    }


def _axis(v: Array, axes: dict[str, Array]) -> str:
    unit = _unit(v)
    cosines = {name: abs(float(unit @ axis)) for name, axis in axes.items()}
    name = max(cosines, key=lambda n: cosines[n])
    return name if cosines[name] >= ALIGNED else f"an oblique axis (mostly {name})"


def _unit(v: Array) -> Array:
    norm = float(np.linalg.norm(v))
    return np.asarray(v / norm) if norm > 0.0 else np.zeros(3)
