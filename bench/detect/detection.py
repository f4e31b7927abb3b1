"""Detections: the form in which every detector reports, and the protocol that it follows."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol, runtime_checkable

import numpy as np

from bench.detect.observation import Observation
from bench.targets.target import Target
from bench.typing import Array


class Found(StrEnum):
    """What came of looking for a target."""

    FOUND = "found"
    MISSED = "missed"
    WRONG_ID = "wrong_id"  # markers were found, but none of the target's own


@dataclass(frozen=True, eq=False)
class Detection:
    """Points of a target found in a picture.

    Attributes
    ----------
    found : Found
        What came of it; the arrays are empty unless ``FOUND``.
    pixels : (N, 2) float64
        Sensor pixels, centre-of-pixel origin, in the order of `p_target`.
    p_target : (N, 3) float64
        The same points in the target frame, metres; z is 0.
    marker_ids : tuple of int
        Ids of the markers that were decoded, the target's own or not.
    sigma_px : float
        Standard deviation of one pixel coordinate that the detector claims, pixels: of scatter,
        independent from point to point.
    more_px : (N,) float64
        Further scatter of each point's coordinates, of small or slanted markers, pixels; empty
        for none.
    shared : (K, N, 2) float64
        What points are off by together, as patterns of one standard deviation each, independent
        of each other, pixels; empty for none.
    """

    found: Found
    pixels: Array = field(default_factory=lambda: np.empty((0, 2)))
    p_target: Array = field(default_factory=lambda: np.empty((0, 3)))
    marker_ids: tuple[int, ...] = ()
    sigma_px: float = 0.1
    more_px: Array = field(default_factory=lambda: np.empty(0))
    shared: Array = field(default_factory=lambda: np.empty((0, 0, 2)))


@runtime_checkable
class Detector(Protocol):
    """Finds a target's points in a picture.

    `detect` returns a `Detection` in every case: a target that isn't found is an outcome, not
    an exception. It may not modify the observation, keep state from one call that changes the
    next, or use randomness.

    A detector that reads some marker dictionaries alone names them in an attribute
    ``dictionaries``; without one it is taken to read all but those that it names in
    ``unread_dictionaries``.
    """

    @property
    def name(self) -> str:
        """As commands and tables call it: the entry point's name."""
        ...

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind (see `Target.kind`) can be looked for."""
        ...

    def detect(self, observation: Observation) -> Detection:
        """Look for the observation's target in its picture."""
        ...


def refusal(detector: Detector, target: Target) -> str | None:
    """Say why a detector can't look for a target, known before any picture; None if it can."""
    if not detector.supports(target.kind):
        return f"detector {detector.name} doesn't look for targets of kind {target.kind!r}"
    reads: tuple[str, ...] | None = getattr(detector, "dictionaries", None)
    if target.dictionary in getattr(detector, "unread_dictionaries", ()):
        return f"detector {detector.name} doesn't read {target.dictionary} of '{target.name}'"
    if reads is not None and target.dictionary not in reads:
        return (
            f"detector {detector.name} doesn't read {target.dictionary} of '{target.name}' but "
            f"{', '.join(reads)}"
        )
    return None
