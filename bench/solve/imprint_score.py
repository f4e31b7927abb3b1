"""Scores of the imprint's kinds: those that a picture shows, and those that it may hide.

A kind (`bench.solve.imprint`) is fitted where a score test shows it. What falls short of that
isn't nothing: coma just too weak to be shown moves a pose by some of its claimed uncertainties,
since a test's threshold lies at some standard deviations itself. So a claim holds what the kinds
that weren't fitted may do, by what the same scores say of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, expit, fdtrc

from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation
from bench.imaging.appearance import POSE
from bench.kernel import kernel
from bench.solve.imprint import COUNTS, amounts_of, scaled_inverse
from bench.typing import Array, IntArray

# Probability under which a kind is taken to be there, of each test.
SHOWN = 0.01
# Of the largest eigenvalue, below which the other parameters have used a direction up.
USED_UP = 1e-9


@dataclass(frozen=True, eq=False)
class Shown:
    """What the scores say.

    Attributes
    ----------
    kinds : tuple of str
        That a picture shows, the surest first.
    hidden : (6, 6) float64
        Mean square of what the others may move a pose by, see `hidden_square`.
    """

    kinds: tuple[str, ...]
    hidden: Array


@dataclass(frozen=True, eq=False)
class Score:
    """One kind's score after what has been fitted.

    Attributes
    ----------
    explained : float
        By how much χ² would fall.
    free : int
        Directions of its amounts that nothing else has used up.
    amounts : (K,) float64
        That the score asks for.
    covariance : (K, K) float64
        Theirs, by noise alone.
    moved : (P, K) float64
        What a unit of each moves the fitted parameters by.
    agreed : bool
        Whether the drawing's lines agree about it; true where they weren't asked.
    common : float
        By how much χ² would fall if their disagreement were all the noise there is.
    """

    explained: float
    free: int
    amounts: Array
    covariance: Array
    moved: Array
    agreed: bool
    common: float


def hints(
    information: Array,
    known: Array,
    columns: Array,
    weights: Array,
    residual: Array,
    asked: tuple[str, ...],
) -> tuple[bool, Array]:
    """Tell whether any kind passes a score test by noise alone, and what all may hide (6, 6).

    Parameters
    ----------
    information : (P, P) float64
        JᵀWJ of what has been fitted, at whose minimum the residuals are.
    known, columns : (M, P), (M, K) float64
        Its derivatives, and the columns of the kinds, at the pixels near a boundary.
    weights, residual : (M,) float64
        There.
    asked : tuple of str
        The kinds.
    """
    cross, square, pulls = _sums(known, columns, weights, residual)
    way = scaled_inverse(information) @ cross
    left = square - cross.T @ way
    first, found, hidden = 0, False, np.zeros((POSE, POSE))
    for kind in asked:
        own = slice(first, first + COUNTS[kind])
        first = own.stop
        unit = np.sqrt(np.diag(square)[own])
        score = _score(left[own, own], unit, pulls[own], way[:, own])
        if score is not None:
            found |= score.explained > float(chdtri(COUNTS[kind], SHOWN))
            hidden += hidden_square(score, 1.0)
    return found, hidden


@kernel
def _sums(
    known: Array, columns: Array, weights: Array, residual: Array
) -> tuple[Array, Array, Array]:
    """Return AᵀWC (P, K), CᵀWC (K, K) and CᵀWr (K,) of known columns A and others C."""
    count, size = known.shape[1], columns.shape[1]
    cross, square, pulls = np.zeros((count, size)), np.zeros((size, size)), np.zeros(size)
    row = np.empty(size)
    for n in range(len(known)):
        for k in range(size):
            row[k] = weights[n] * columns[n, k]
        for j in range(count):
            value = known[n, j]
            for k in range(size):
                cross[j, k] += value * row[k]
        for j in range(size):
            value = columns[n, j]
            for k in range(size):
                square[j, k] += value * row[k]
        for k in range(size):
            pulls[k] += residual[n] * row[k]
    return cross, square, pulls


def kinds_shown(
    parts: Array,
    pulls: Array,
    asked: tuple[str, ...],
    chi_square: float,
    count: float,
    most: int,
) -> Shown:
    """Return the kinds that a picture shows, the surest first: forward selection.

    One by one, that which explains most of what those before it have left, as long as chance
    wouldn't at `SHOWN`, twice over: by noise, held against what boundaries leave still, as an
    F-test does; and by how far the drawing's lines agree (Hotelling's T² of their pulls), for
    what they don't share is none of these.

    Parameters
    ----------
    parts, pulls : (L, P + K, P + K), (L, P + K) float64
        Each line's JᵀWJ and JᵀWr, of what has been fitted and of the columns of the kinds asked
        for, which come last.
    asked : tuple of str
        Those kinds.
    chi_square, count : float
        What is left on strong boundaries, and how many pixels they have.
    most : int
        No more kinds than these.
    """
    information, first = parts.sum(axis=0), parts.shape[1] - amounts_of(asked)
    fitted, found = np.arange(first), list[str]()
    places: dict[str, IntArray] = {}
    for kind in asked:
        places[kind] = np.arange(first, first + COUNTS[kind])
        first += COUNTS[kind]
    while True:
        inverse = scaled_inverse(information[np.ix_(fitted, fitted)])
        now = pulls - parts[:, :, fitted] @ (inverse @ pulls[:, fitted].sum(axis=0))
        scores = {
            kind: score
            for kind, own in places.items()
            if (score := _line_score(information, now, fitted, inverse, own)) is not None
        }
        sure = {
            kind: s.explained / chdtri(s.free, SHOWN) for kind, s in scores.items() if s.agreed
        }
        best = max(sure, key=lambda kind: sure[kind], default="")
        enough = len(found) == most or not best
        after = chi_square - (0.0 if enough else scores[best].explained)
        left = max(1.0, after / max(count, 1.0))
        if enough or sure[best] < left:
            hidden = sum((hidden_square(s, left) for s in scores.values()), np.zeros((POSE, POSE)))
            return Shown(tuple(found), hidden)
        chi_square = after
        found.append(best)
        fitted = np.concatenate((fitted, places.pop(best)))


def hidden_square(score: Score, left: float) -> Array:
    """Return the mean square (6, 6) of what a kind that isn't fitted moves a pose by.

    Its amounts are taken to be normal about nothing, with a size that their own score tells:
    empirical Bayes, of which the positive part of James and Stein's estimate is the mean (Efron
    and Morris 1973, doi:10.1080/01621459.1973.10481350).

    Parameters
    ----------
    score : Score
        The kind's.
    left : float
        By how much larger than noise squared residuals are.
    """
    surely = min(score.explained / left, score.common)
    if surely <= score.free:
        return np.zeros((POSE, POSE))
    share = 1.0 - score.free / surely
    mean = share * score.amounts
    square = np.outer(mean, mean) + share * left * score.covariance
    moved = score.moved[:POSE]
    return np.asarray(moved @ square @ moved.T)


def rival_square(found: Pose, rival: Pose, behind: float) -> Array:
    """Return the mean square (6, 6) of a pose's error if another explanation may be right.

    Parameters
    ----------
    found, rival : Pose
        Of the better explanation, and of the other.
    behind : float
        By how much the other's χ² is larger, two for each more amount than the better has (Akaike
        1974, doi:10.1109/TAC.1974.1100705); the other's weight is e^(-behind/2) to one.
    """
    turned = log_rotation(found.rotation.T @ rival.rotation)
    apart = np.concatenate((turned, rival.translation - found.translation))
    return np.asarray(np.outer(apart, apart) * expit(-0.5 * behind))


def _score(
    left: Array, unit: Array, pull: Array, moved: Array, lines: Array | None = None
) -> Score | None:
    """Return a kind's score, or None where nothing of it is left to find.

    Parameters
    ----------
    left, pull : (K, K), (K,) float64
        Information on its amounts after what has been fitted, and the gradient.
    unit : (K,) float64
        Root of the information on each amount alone.
    moved : (P, K) float64
        As in `Score`, with the other sign.
    lines : (L, K) float64, optional
        Each line's part of the gradient.
    """
    if not np.all(unit > 0.0):
        return None
    values, vectors = np.linalg.eigh(left / np.outer(unit, unit))
    free = values > USED_UP
    count = int(np.count_nonzero(free))
    if not count:
        return None
    white = vectors[:, free] / np.sqrt(values[free]) / unit[:, None]
    along = pull @ white
    agreed, common = (True, np.inf) if lines is None else _agreed(lines @ white)
    explained = float(along @ along)
    return Score(explained, count, white @ along, white @ white.T, -moved, agreed, common)


def _line_score(
    information: Array, pulls: Array, fitted: IntArray, inverse: Array, own: IntArray
) -> Score | None:
    """Return the score of amounts at `own` after what is `fitted`, its lines asked."""
    cross = information[np.ix_(fitted, own)]
    way = inverse @ cross
    each = pulls[:, own] - pulls[:, fitted] @ way
    left = information[np.ix_(own, own)] - cross.T @ way
    return _score(left, np.sqrt(np.diag(information)[own]), each.sum(axis=0), way, each)


def _agreed(along: Array) -> tuple[bool, float]:
    """Tell whether lines' pulls (L, K) have a common part: Hotelling's T² at `SHOWN`.

    With it T², scaled so that its mean is K where they have none.
    """
    lines, count = along.shape
    if lines <= count + 2:
        return False, 0.0
    total, spread = along.sum(axis=0), lines * np.cov(along, rowvar=False).reshape(count, count)
    square = float(total @ np.linalg.pinv(spread, hermitian=True) @ total) / (lines - 1.0)
    shown = fdtrc(count, lines - count, square * (lines - count) / count) < SHOWN
    return bool(shown), square * (lines - count - 2.0)
