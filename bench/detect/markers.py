"""Detections by marker libraries: from decoded markers to a target's points."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np
import numpy.typing as npt

from bench.detect.claims import CornerClaim
from bench.detect.detection import Detection, Detector, Found, refusal
from bench.detect.observation import Observation
from bench.errors import GeometryError, TargetError
from bench.geometry.camera import Camera, normalise, project_camera
from bench.geometry.lens_models import BROWN
from bench.imaging.picture import Picture
from bench.targets.target import Target
from bench.typing import Array

Grey = npt.NDArray[np.uint8]
MARKER_KINDS = ("marker", "grid", "charuco")

# The coarsest dictionaries have 6 x 6 cells and a cell needs more than a pixel: a smaller
# picture shows no marker that could be read. The AprilTag library, asked nevertheless, reads
# beyond the end of pictures of 2 px and fewer (measured on pupil-apriltags 1.0.4).
MIN_SIDE_PX = 8


def too_small(picture: Picture) -> bool:
    """Tell whether a picture is too small to show anything that can be detected."""
    return bool(min(picture.grey.shape) < MIN_SIDE_PX)


def dictionary_of(target: Target, detector: str) -> str:
    """Return the target's dictionary.

    Raises
    ------
    TargetError
        It has none: it isn't a target with markers.
    """
    if target.dictionary is None:
        raise TargetError(f"detector {detector} looks for markers; '{target.name}' has none")
    return target.dictionary


class MarkerReader(Detector, Protocol):
    """A detector around a library that reads markers one by one."""

    @property
    def sigma_px(self) -> float:
        """Scatter that is claimed for a coordinate, pixels; as README.md has it."""
        ...

    @property
    def claim(self) -> CornerClaim:
        """What corners may be off by beside it."""
        ...

    def decoded(self, grey: Grey, dictionary: str) -> Iterable[tuple[int, Array]]:
        """Return id and corners of each marker read, see `marker_detection`."""
        ...


class ReadsMarkers:
    """What detectors around such libraries have in common."""

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return kind in MARKER_KINDS

    def detect(self: MarkerReader, observation: Observation) -> Detection:
        """Look for the observation's target in its picture; see `read_markers`."""
        return read_markers(self, observation)


def read_markers(reader: MarkerReader, observation: Observation) -> Detection:
    """Return the corners of all the target's own markers that a library reads in its picture.

    Raises
    ------
    TargetError
        The target has no markers, or ones that the library doesn't read.
    """
    dictionary = dictionary_of(observation.target, reader.name)
    reason = refusal(reader, observation.target)
    if reason:
        raise TargetError(reason)
    if too_small(observation.picture):
        return Detection(Found.MISSED)
    decoded = reader.decoded(observation.picture.grey8, dictionary)
    return marker_detection(decoded, observation, reader.sigma_px, reader.claim)


def marker_detection(
    decoded: Iterable[tuple[int, Array]],
    observation: Observation,
    sigma_px: float,
    claim: CornerClaim | None = None,
) -> Detection:
    """Return the corners of the target's own markers among all that were decoded.

    Where one of the target's ids was decoded more than once, at most one can be right: the
    largest perimeter is taken, since reflections are no larger than what they reflect and false
    readings arise in details.

    Parameters
    ----------
    decoded : iterable of (int, (4, 2) float64)
        Ids and corners in pixels of the picture, (0, 0) the centre of ``grey[0, 0]``, in the
        order of `Target.markers`.
    observation : Observation
        Its picture tells where on the sensor the pixels lie.
    sigma_px : float
        See `Detection`.
    claim : CornerClaim, optional
        What corners may be off by beside it.
    """
    target, picture = observation.target, observation.picture
    best: dict[int, Array] = {}
    ids = []
    for marker_id, corners in decoded:
        ids.append(marker_id)
        if marker_id in target.markers and (
            marker_id not in best or _rank(corners) > _rank(best[marker_id])
        ):
            best[marker_id] = corners
    marker_ids = tuple(sorted(ids))
    if not best:
        return Detection(Found.WRONG_ID if ids else Found.MISSED, marker_ids=marker_ids)
    own = sorted(best)
    xy = np.vstack([target.markers[i] for i in own])
    pixels = np.vstack([best[i] for i in own]) + (picture.u0, picture.v0)
    claim = claim or CornerClaim()
    return Detection(
        Found.FOUND,
        pixels=pixels,
        p_target=np.column_stack((xy, np.zeros(len(xy)))),
        marker_ids=marker_ids,
        sigma_px=sigma_px,
        more_px=np.hypot(claim.scatter(pixels), _bent(pixels, observation.camera)),
        shared=claim.shared(pixels),
    )


def _bent(corners: Array, camera: Camera) -> Array:
    """Return what corners (4 M, 2) may be off by for lines that a wide lens bends, pixels.

    Detectors draw straight lines along a marker's sides. One fitted to an arc of sag s leaves its
    ends by 2/3 s; of a corner's two sides the worse counts. Nothing for Brown-Conrady, whose
    detectors' claims are measured as they are.
    """
    if camera.model == BROWN:
        return np.zeros(len(corners))
    try:
        xy = normalise(corners, camera).reshape(-1, 4, 2)
    except GeometryError:
        return np.zeros(len(corners))
    middle = 0.5 * (xy + np.roll(xy, -1, axis=1))
    arc = project_camera(np.concatenate((middle, np.ones((*middle.shape[:2], 1))), axis=2), camera)
    start = corners.reshape(-1, 4, 2)
    side = np.roll(start, -1, axis=1) - start
    way = arc - start
    sag = np.abs(side[..., 0] * way[..., 1] - side[..., 1] * way[..., 0])
    sag /= np.maximum(np.linalg.norm(side, axis=2), 1.0)
    return np.asarray(2.0 / 3.0 * np.maximum(sag, np.roll(sag, 1, axis=1)).reshape(-1))


def _rank(corners: Array) -> tuple[float, ...]:
    """Return a marker's perimeter, pixels, then its corners, so that ties are settled too."""
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
    return (float(sides.sum()), *corners.ravel())
