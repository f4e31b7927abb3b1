"""Margins: how much worse a pipeline may be that still counts as good."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Margins:
    """How much worse still counts as good.

    Attributes
    ----------
    error : float
        Of errors' RMS, a fraction of the old; of a bias, a fraction of the old RMS; of claims,
        how much farther from honest, a fraction.
    rate : float
        Of rates, absolute.
    corner_px : float
        Of the mean shift of corners, pixels.
    """

    error: float = 0.15
    rate: float = 0.007
    corner_px: float = 0.03
