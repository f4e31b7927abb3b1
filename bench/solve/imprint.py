"""Imprint of print and lens on all boundaries, beyond pose and a round blur.

A print whose black has spread, a camera that shook, a lens with coma or out of focus change every
boundary of a picture alike, by its direction alone. To first order the blurred reflectance B gains
a sum of columns, each with an amount of its own:

- *ellipse*: ½(∂uu - ∂vv)B and ∂uvB, half the difference of the blur's variances across and down
  and their covariance: motion, astigmatism;
- *skew*: (∂uuu, ∂uuv, ∂uvv, ∂vvv)B, the blur's third cumulants: coma;
- *tails*: B(kσ) - B(σ), light that spreads wider: diffraction, or defocus, where it is negative;
- *ink*: -|∇B| on the plate, black grown at all its boundaries by a length;
- *curve*: (B - b)(w - B) between black b and white w, times (2B - b - w) and itself: a response
  curve's terms of third and fourth order, where one is fitted at all.

That is the start of a Gram-Charlier series of the spot (`bench.imaging.cumulants`). Ink's column
is its derivative where ink lies: the drawing itself is grown (`bench.targets.ink`), since what a
first order leaves looks like a response curve. Each kind has parameters only where a score test
(Rao 1948, doi:10.1017/S0305004100023987) says that a picture shows it
(`bench.solve.imprint_score`): on a clean one they would cost accuracy, of range above all.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from bench.geometry.pose import Pose
from bench.imaging.appearance import POSE
from bench.typing import Array

KINDS = ("ellipse", "skew", "tails", "ink", "curve")
COUNTS = {"ellipse": 2, "skew": 4, "tails": 1, "ink": 1, "curve": 2}


def kinds_left(kinds: tuple[str, ...], *, curved: bool) -> tuple[str, ...]:
    """Return the kinds that may yet be asked for.

    A response curve only if `curved`, and first or not at all: beside others it takes up what a
    spot's higher terms leave, and range with it.
    """
    curved = curved and not kinds
    return tuple(k for k in KINDS if k not in kinds and (curved or k != "curve"))


def amounts_of(kinds: tuple[str, ...]) -> int:
    """Return how many amounts these kinds have."""
    return sum(COUNTS[kind] for kind in kinds)


def place_of(kind: str, kinds: tuple[str, ...]) -> int | None:
    """Return where a kind's amounts begin among these kinds', or None where it isn't there."""
    return amounts_of(kinds[: kinds.index(kind)]) if kind in kinds else None


# How much wider the tails' spot is: most of it falls on pixels that count as near a boundary.
WIDER = 1.75
# Of what a kind's amounts move a pose by, what the terms beyond the first may do, as standard
# uncertainties: of the size that reports/photometric/conditions.md found left under motion, coma,
# defocus and ink spread (type B, JCGM 100:2008, 4.3).
TRUNCATED = {"ellipse": 0.1, "skew": 0.3, "tails": 0.3, "ink": 0.1, "curve": 0.1}
# How many kinds each round of a fit adds at most: the first alone, since what is left without it
# is no longer small.
ROUNDS = (1, len(KINDS))


def imprint_columns(
    kinds: tuple[str, ...],
    derivatives: Callable[[], Array],
    image: Callable[[float], Array],
    sensitivity: Array,
    pose: Pose,
) -> Array:
    """Return the columns (M, K) of the kinds, in their order, at the pixels near a boundary.

    Parameters
    ----------
    kinds : tuple of str
        Of `KINDS`.
    derivatives : callable
        (M, 6) of `bench.imaging.cumulants.blurred_derivatives`.
    image : callable
        B (M,) with the blur times a factor.
    sensitivity : (M, 7) float64
        Of B.
    pose : Pose
        Target to camera.
    """
    spot = derivatives() if "ellipse" in kinds or "skew" in kinds else np.empty((0, 0))
    here = image(1.0) if "tails" in kinds or "curve" in kinds else np.empty(0)
    columns = np.empty((len(sensitivity), amounts_of(kinds)))
    first = 0
    for kind in kinds:
        own = columns[:, first : first + COUNTS[kind]]
        first += COUNTS[kind]
        if kind == "ellipse":
            own[:] = spot[:, :2]
        elif kind == "skew":
            own[:] = spot[:, 2:]
        elif kind == "tails":
            own[:, 0] = image(WIDER) - here
        elif kind == "curve":
            least, most = np.min(here), np.max(here)
            bump = (here - least) * (most - here)
            own[:, 0], own[:, 1] = bump * (2.0 * here - least - most), bump * bump
        else:
            # moved along its own x and y the face shows its slopes there
            slopes = sensitivity[:, 3:6] @ pose.rotation[:, :2]
            own[:, 0] = -np.hypot(slopes[:, 0], slopes[:, 1])
    return columns


def truncation_covariance(information: Array, amounts: Array, kinds: tuple[str, ...]) -> Array:
    """Return what a pose (6, 6) owes to the series' first terms standing for all of it.

    As a standard uncertainty, `TRUNCATED` of what the amounts, as far as they are more than
    their own uncertainty, move the pose by.

    Parameters
    ----------
    information : (P, P) float64
        JᵀWJ: pose and blur, the amounts, the rest.
    amounts : (K,) float64
        Amounts.
    kinds : tuple of str
        Of which kinds.
    """
    if not len(amounts):
        return np.zeros((POSE, POSE))
    own = POSE + 1 + np.arange(len(amounts))
    rest = np.setdiff1d(np.arange(len(information)), own)
    inverse = scaled_inverse(information)
    share = np.repeat([TRUNCATED[k] for k in kinds], [COUNTS[k] for k in kinds])
    shown = share * np.sqrt(np.maximum(amounts**2 - np.diag(inverse)[own], 0.0))
    moved = (
        scaled_inverse(information[np.ix_(rest, rest)]) @ information[np.ix_(rest, own)] * shown
    )
    way = moved[:POSE]
    return np.asarray(way @ way.T)


def scaled_inverse(information: Array) -> Array:
    """Return the pseudo-inverse (P, P) of an information, scaled to a unit diagonal first."""
    scale = np.sqrt(np.diag(information))
    scale[scale == 0.0] = 1.0
    unit = np.outer(scale, scale)
    return np.asarray(np.linalg.pinv(information / unit, hermitian=True) / unit)
