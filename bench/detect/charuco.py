"""OpenCV's ChArUco detector: a chessboard's inner corners, told apart by its markers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import cv2
import numpy as np

from bench.detect.aruco import marker_parameters
from bench.detect.detection import Detection, Found
from bench.detect.markers import dictionary_of, too_small
from bench.detect.observation import Observation
from bench.targets.dictionary import opencv_dictionary
from bench.targets.target import Target
from bench.typing import Array

# Fewer corners, or corners on one line, leave the pose open.
MIN_CORNERS = 4


@dataclass(frozen=True)
class Charuco:
    """Finds those inner corners whose two markers were both decoded.

    Parameters are OpenCV's defaults but for `bench.detect.aruco.MIN_PERIMETER_PX`. A board of
    which fewer than four corners are found, or only corners on one line, counts as missed.
    `sigma_px` is as README.md has it. `legacy` reads the layout that OpenCV drew before 4.6, which
    differs where rows are even: the top left square is white.
    """

    sigma_px: float = 0.035
    legacy: bool = False
    name: ClassVar[str] = "charuco"

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return kind == "charuco"

    def detect(self, observation: Observation) -> Detection:
        """Look for the observation's target in its picture.

        Raises
        ------
        TargetError
            The target has no markers.
        """
        target, picture = observation.target, observation.picture
        dictionary = dictionary_of(target, self.name)
        if too_small(picture):
            return Detection(Found.MISSED)
        grey = picture.grey8
        detector = cv2.aruco.CharucoDetector(
            charuco_board(target, dictionary, legacy=self.legacy),
            cv2.aruco.CharucoParameters(),
            marker_parameters(grey.shape),
        )
        pixels, corner_ids, _, ids = detector.detectBoard(grey)
        marker_ids = () if ids is None else tuple(sorted(int(i) for i in ids.ravel()))
        if corner_ids is None or not _span_plane(target.points[corner_ids.ravel()]):
            foreign = bool(marker_ids) and not set(marker_ids) & set(target.markers)
            return Detection(Found.WRONG_ID if foreign else Found.MISSED, marker_ids=marker_ids)
        xy = target.points[corner_ids.ravel()]
        return Detection(
            Found.FOUND,
            pixels=np.asarray(pixels, np.float64).reshape(-1, 2) + (picture.u0, picture.v0),
            p_target=np.column_stack((xy, np.zeros(len(xy)))),
            marker_ids=marker_ids,
            sigma_px=self.sigma_px,
        )


def charuco_board(
    target: Target, dictionary: str, *, legacy: bool = False
) -> cv2.aruco.CharucoBoard:
    """Return OpenCV's board of the same layout; its corner ids index `Target.points`."""
    board = cv2.aruco.CharucoBoard(
        target.layout,
        target.pitch,
        target.marker_size,
        opencv_dictionary(dictionary),
        np.array(sorted(target.markers)),
    )
    board.setLegacyPattern(legacy)
    return board


def _span_plane(xy: Array) -> bool:
    """Tell whether points (N, 2) of a lattice are four or more and not all on one line."""
    return len(xy) >= MIN_CORNERS and int(np.linalg.matrix_rank(xy - xy[0], tol=1e-9)) == 2
