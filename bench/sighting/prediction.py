"""Predicted uncertainty of a target's pose: a bound, scaled by what a map measured of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from bench.conformity import COVERAGE as COVERAGE  # k of the uncertainties predicted here
from bench.conformity import Decision
from bench.defaults import Bound
from bench.errors import ConfigError, GeometryError
from bench.geometry.camera import Camera
from bench.geometry.pose import Pose
from bench.imaging.region import region_of
from bench.plugins import DETECTORS, load
from bench.scene.model import Bay, Tolerance, Tower
from bench.sighting.image_bound import MARGIN_PX, image_table
from bench.sighting.map_ratio import MapRatio, read_map_ratio, unlike
from bench.sighting.own_errors import OwnCauses, own_causes
from bench.sighting.projections import Projections, corner_points
from bench.sighting.ratio_grid import RatioGrid
from bench.solve.bounds import image_bound
from bench.solve.default_pipeline import default_pipeline, is_photometric
from bench.targets.target import Target
from bench.typing import Array, BoolArray

FALLBACK_SIGMA_PX = 0.1  # of detectors that don't say what they claim


@dataclass(frozen=True)
class Prediction:
    """Standard uncertainties of one target's pose, as the bay needs them.

    Attributes
    ----------
    toe, camber : float
        Of its rotation about the bay's vertical and about the bay's x, radians.
    along, across : float
        Of its place along the line of sight, and in the worst direction across it, metres.
    measured : bool
        Whether a map measured the ratio that it was scaled by; true without a map.
    """

    toe: float
    camber: float
    along: float
    across: float
    measured: bool = True

    def with_own(self, own: tuple[Array, ...] | None, target: int) -> Prediction:
        """Return the prediction with what the bay adds to a target's, of `Projections.own`."""
        if own is None:
            return self
        toe, camber, along, across = (float(one[0, target]) for one in own)
        return replace(
            self,
            toe=math.hypot(self.toe, toe),
            camber=math.hypot(self.camber, camber),
            along=math.hypot(self.along, along),
            across=math.hypot(self.across, across),
        )

    def share(self, tolerance: Tolerance) -> float:
        """Return the larger expanded uncertainty of toe and camber over its tolerance."""
        return COVERAGE * max(self.toe / tolerance.toe, self.camber / tolerance.camber)

    def decision(self, tolerance: Tolerance) -> Decision:
        """Return the decision on the one with the larger share."""
        camber = self.camber / tolerance.camber > self.toe / tolerance.toe
        name = "camber" if camber else "toe"
        return tolerance.holds(name, COVERAGE * getattr(self, name))


@dataclass(frozen=True, eq=False)
class Predictor:
    """What predictions are made from.

    Attributes
    ----------
    bound : {"corner", "image"}
        The Cramér-Rao bound of corners with independent noise, which is quick; or of the whole
        image, which photometric solvers come near.
    sigma_px : float
        Standard deviation of a corner's coordinate, pixels.
    source : str
        Where that comes from, in words.
    ratio : MapRatio or None
        What the bound is multiplied by; None is 1.
    maps : tuple of MapRatio
        What `ratio` is chosen from for each bay, see `for_bay`.
    table : RatioGrid or None
        Of the image's bound over the corners' with 1 px, to be quick; None computes the
        image's. See `quick`.
    as_built : bool
        Whether what the bay is off by counts beside noise, see `bench.sighting.own_errors`.
    """

    bound: Bound = "corner"
    sigma_px: float = FALLBACK_SIGMA_PX
    source: str = "assumed"
    ratio: MapRatio | None = None
    table: RatioGrid | None = None
    maps: tuple[MapRatio, ...] = ()
    as_built: bool = False

    @property
    def basis(self) -> str:
        """What predictions stand on, in words."""
        own = ", and what camera, print and plate are off by beyond what registration absorbs"
        return self._noise_words + (own if self.as_built else "")

    def causes(
        self, bay: Bay, camera: Camera, points: Array, scale: float = 1.0
    ) -> OwnCauses | None:
        """Return what counts beside noise, see `own_causes`; None where nothing does."""
        return own_causes(bay, camera, points, scale) if self.as_built else None

    @property
    def _noise_words(self) -> str:
        words = "Cramér-Rao bound of the whole image"
        if self.bound == "corner":
            words = f"Cramér-Rao bound of corners with {self.sigma_px:g} px, {self.source}"
        elif self.table is not None:
            words += ", tabulated over range and tilt"
        if self.ratio is None:
            return words
        return (
            f"{words}; times RMS over bound of {self.ratio.pipeline} as measured by the map "
            f"{self.ratio.source}, n = {self.ratio.n} or more a cell"
        )

    @property
    def is_quick(self) -> bool:
        """Whether `arrays` gives the predictions."""
        return self.bound == "corner" or self.table is not None

    def for_bay(self, bay: Bay) -> Predictor:
        """Return a predictor with the ratio of the map that was made for a bay's towers.

        Raises
        ------
        ConfigError
            No map was; names what differs.
        """
        if not self.maps:
            return self
        differing = [(one, unlike(one, bay)) for one in self.maps]
        fitting = [one for one, words in differing if not words]
        if fitting:
            return replace(self, ratio=fitting[0])
        one, words = min(differing, key=lambda item: len(item[1]))
        # what differs first: a refusal has room for little more
        names = " and ".join(word.partition(" (")[0] for word in words)
        raise ConfigError(
            f"--map: {Path(one.source).name} was made for another {names}: {', '.join(words)}; "
            f"'sightbench map' of {bay.path.name} makes one that fits"
        )

    def quick(self, target: Target, tower: Tower, ranges: tuple[float, float]) -> Predictor:
        """Return a predictor for a tower's camera whose `arrays` are good for many layouts.

        Parameters
        ----------
        target, tower : Target, Tower
            What is seen and what sees it.
        ranges : (float, float)
            Nearest and farthest, metres.

        Raises
        ------
        GeometryError
            As `image_table`.
        """
        if self.bound == "corner":
            return self
        points = corner_points(target)
        return replace(
            self, table=image_table(target, points, tower.camera, tower.imaging, ranges)
        )

    def arrays(self, projections: Projections) -> tuple[Array, Array, Array, Array, BoolArray]:
        """Return toe, camber, along, across and measured (L, N) of `Prediction`; if `is_quick`."""
        sigma = self.sigma_px if self.bound == "corner" else 1.0
        found = [
            sigma * v
            for v in (projections.toe, projections.camber, projections.along, projections.across)
        ]
        measured = np.ones(projections.range.shape, dtype=np.bool_)
        if self.bound == "image" and self.table is not None:
            found = _scaled(found, self.table.at(projections.range, projections.tilt)[0])
        if self.ratio is not None:
            ratios, measured = self.ratio.grid.at(projections.range, projections.tilt)
            found = _scaled(found, ratios)
        if projections.own is not None:
            found = [np.hypot(a, b) for a, b in zip(found, projections.own, strict=True)]
        return found[0], found[1], found[2], found[3], measured

    def image(
        self, target: Target, tower: Tower, T_camera_target: Pose, range_: float, tilt: float
    ) -> Prediction:
        """Return the prediction from the image of one target.

        Infinite where the picture doesn't determine the pose.
        """
        best = image_bound_in_bay(target, tower, T_camera_target)
        if best is None:
            return Prediction(math.inf, math.inf, math.inf, math.inf)
        if self.ratio is None:
            return Prediction(*best)
        ratios, measured = self.ratio.grid.at(np.array(range_), np.array(tilt))
        toe, camber, along, across = map(float, _scaled(best, ratios))
        return Prediction(toe, camber, along, across, bool(measured))


def _scaled(found: Sequence[Array | float], ratios: Array) -> list[Array]:
    """Return toe, camber, along and across times ratios (..., 3)."""
    return [v * ratios[..., i] for v, i in zip(found, (0, 0, 1, 2), strict=True)]


def in_bay(
    covariance: Array, T_bay_camera: Pose, T_camera_target: Pose
) -> tuple[float, float, float, float]:
    """Return toe, camber, along and across of `Prediction` from a pose covariance (6, 6).

    A wheel's axis, along the bay's y when straight, is turned by a small rotation about the
    vertical in toe and about x in camber; a rotation about itself does nothing.
    """
    R_bay_target = T_bay_camera.rotation @ T_camera_target.rotation
    turns = R_bay_target @ covariance[:3, :3] @ R_bay_target.T
    sight = T_camera_target.translation / np.linalg.norm(T_camera_target.translation)
    aside = np.eye(3) - np.outer(sight, sight)
    across = np.linalg.eigvalsh(aside @ covariance[3:, 3:] @ aside)[-1]
    variances = (turns[2, 2], turns[0, 0], sight @ covariance[3:, 3:] @ sight, across)
    toe, camber, along, wide = (math.sqrt(max(float(v), 0.0)) for v in variances)
    return toe, camber, along, wide


def predictor_of(
    bay: Bay,
    bound: Bound | None = None,
    sigma_px: float | None = None,
    runs: Sequence[Path] = (),
    pipeline: str | None = None,
    other_lenses: bool = False,
    as_built: bool = True,
) -> Predictor:
    """Return what to predict with.

    Parameters
    ----------
    bay : Bay
        Its survey names pipelines.
    bound : {"corner", "image"}, optional
        See `Predictor`. Left out, it follows from the pipeline: the image's for a photometric
        one, the corners' for any other.
    sigma_px : float, optional
        Of a corner, instead of what the pipeline's detector claims; not together with the
        image's bound, nor with a map, whose ratio is to the claim.
    runs : sequence of path
        Finished maps whose ratio of RMS to bound is to be applied, each to the bays that it was
        made for, see `Predictor.for_bay`.
    other_lenses : bool
        Whether lenses will be changed: the map is then to be chosen by `Predictor.for_bay`.
    pipeline : str, optional
        Detector/solver; by default the bay's first photometric one, else its first
        (`bench.solve.default_pipeline`).
    as_built : bool
        See `Predictor`.

    Raises
    ------
    ConfigError, RunError, PlugInError
        The map or the detector won't do; `sigma_px` isn't positive, or contradicts the rest.
    """
    if sigma_px is not None and not 0.0 < sigma_px <= 100.0:
        raise ConfigError(f"corner sigma: must lie between 0 and 100 px, got {sigma_px:g}")
    if sigma_px is not None and bound == "image":
        raise ConfigError("corner sigma: the image's bound knows no corners; give one of them")
    if sigma_px is not None and runs:
        raise ConfigError("corner sigma: a map's ratio is to what its detector claims; give one")
    name = pipeline or default_pipeline(bay.target, bay.survey.pipelines)
    if bound is None:
        bound = "image" if is_photometric(name) and sigma_px is None else "corner"
    maps = tuple(read_map_ratio(run, name, bound) for run in runs)
    if sigma_px is not None:
        return Predictor(bound, sigma_px, "as given", as_built=as_built)
    detector = name.partition("/")[0]
    claim = getattr(load(DETECTORS, detector), "sigma_px", None)
    source = f"assumed for {detector}" if claim is None else f"what {detector} claims"
    sigma = FALLBACK_SIGMA_PX if claim is None else float(claim)
    found = Predictor(bound, sigma, source, maps=maps, as_built=as_built)
    return found if other_lenses else found.for_bay(bay)


def sigma_of_corner(bay: Bay, sigma_px: float | None = None) -> float:
    """Return the standard deviation of a corner's coordinate, pixels, in a bay.

    Without `sigma_px` it is what the detector of the bay's default pipeline claims: the one rule
    of all that works from corners.

    Raises
    ------
    ConfigError, PlugInError
        As `predictor_of`.
    """
    return predictor_of(bay, "corner", sigma_px).sigma_px


def image_bound_in_bay(
    target: Target, tower: Tower, T_camera_target: Pose
) -> tuple[float, float, float, float] | None:
    """Return the whole image's bound as `in_bay` does; None where there is none."""
    try:
        region = region_of(target.drawing, T_camera_target, tower.camera, MARGIN_PX)
        covariance = image_bound(
            target.drawing, T_camera_target, tower.camera, tower.imaging, region
        )
    except (GeometryError, ConfigError, np.linalg.LinAlgError):
        return None
    return in_bay(covariance, tower.T_bay_camera, T_camera_target)
