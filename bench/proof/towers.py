"""Both towers of a bay, tied to each other by a rehearsed registration."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bench.budget.registration import registration_response
from bench.budget.views import towers_of
from bench.registration.plan import default_sequence
from bench.scene.bar_section import read_poses
from bench.scene.model import Bay, Tower
from bench.sighting.prediction import sigma_of_corner
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class TiedTowers:
    """Both towers, tied to each other: noise of a corner, and covariance of T_left_right."""

    left: Tower
    right: Tower
    sigma_px: float
    covariance: Array


def tied_towers(bay: Bay, sigma_px: float | None, places: Path | None) -> TiedTowers:
    """Return the towers with a registration rehearsed.

    Parameters
    ----------
    bay : Bay
        Whose towers and bar.
    sigma_px : float or None
        Noise of a corner; what the detector claims by default.
    places : Path or None
        File of the bar's places; the best short sequence by default.

    Raises
    ------
    ConfigError
        The file or the noise won't do.
    """
    left, right = towers_of(bay)
    sigma = sigma_of_corner(bay, sigma_px)
    poses = default_sequence(bay) if places is None else read_poses(places, bay.bar)
    response = registration_response(bay, poses, sigma)
    return TiedTowers(left, right, sigma, response.covariance)
