"""chess-corners (MIT), where it is installed: `pip install 'sightbench[chess-corners]'`.

OpenCV's chessboard says which corner is which, chess-corners where: at the saddle of the picture's
brightness, twice as near as `cornerSubPix` comes and nearer (`reports/detectors`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import chess_corners
import numpy as np

from bench.detect.chessboard import WINDOW_SHARE, Chessboard
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation


@dataclass(frozen=True)
class ChessCorners:
    """Finds a chessboard's inner corners; those without a saddle beside OpenCV's are left out."""

    name: ClassVar[str] = "chess-corners"

    def supports(self, kind: str) -> bool:
        """Tell whether targets of this kind can be looked for."""
        return kind == "chessboard"

    def detect(self, observation: Observation) -> Detection:
        """Look for the observation's chessboard in its picture."""
        rough, picture = Chessboard().detect(observation), observation.picture
        if rough.found is not Found.FOUND:
            return rough
        config = chess_corners.DetectorConfig.chess_multiscale().with_chess(
            refiner=chess_corners.ChessRefiner.saddle_point()
        )
        seen = chess_corners.Detector(config.without_orientation()).detect(
            np.ascontiguousarray(picture.grey8)
        )
        pixels = np.asarray(seen.xy, dtype=np.float64).reshape(-1, 2) + (picture.u0, picture.v0)
        if not len(pixels):
            return Detection(Found.MISSED)
        away = np.linalg.norm(rough.pixels[:, None] - pixels, axis=2)
        between = np.linalg.norm(rough.pixels[:, None] - rough.pixels, axis=2)
        spacing = np.min(between[between > 0.0])
        known = np.min(away, axis=1) < WINDOW_SHARE * spacing
        nearest = np.argmin(away, axis=1)[known]
        if not len(nearest):
            return Detection(Found.MISSED)
        return Detection(Found.FOUND, pixels=pixels[nearest], p_target=rough.p_target[known])
