"""Detectors of chessboards' corners compared: `python -m reports.detectors.boards`.

Rendered boards of a plain and a fisheye lens, by the lens's blur; all detectors see the same
pictures. Needs chess-corners.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from bench.cameras.rehearsal import calibration_board
from bench.detect.chess_corners import ChessCorners
from bench.detect.chessboard import Chessboard
from bench.detect.detection import Detector
from bench.detect.observation import Observation
from bench.digest import key_digest
from bench.geometry.camera import project
from bench.geometry.viewing import pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.optics import Optics
from bench.render.planar import full_frame, render_target
from bench.typing import Array
from reports.calibration.coverage import LENSES, view_of

HERE = Path(__file__).parent
BLURS_PX = (0.5, 0.7, 1.0, 2.0)
PICTURES = 12  # of each lens and blur
DETECTORS: tuple[Detector, ...] = (Chessboard(), ChessCorners())


def compared() -> pl.DataFrame:
    """Return, by detector and blur, how many corners were found and how far off."""
    board = calibration_board()
    off: dict[tuple[str, float], list[Array]] = {}
    for lens, camera in LENSES.items():
        for blur in BLURS_PX:
            for index in range(PICTURES):
                key = key_digest(f"boards {lens} {blur} {index}")
                rng = np.random.default_rng(np.random.SeedSequence([17, key]))
                pose = pose_of_view(view_of(camera, board, index, rng), camera)
                imaging = Imaging(Optics(sigma_px=blur))
                picture = render_target(board, pose, camera, imaging, rng, full_frame(camera))
                for detector in DETECTORS:
                    found = detector.detect(Observation(picture, camera, board))
                    true = project(found.p_target, pose, camera)
                    # a chessboard may be read upside down
                    errors = [found.pixels - true, found.pixels - true[::-1]]
                    best = min(errors, key=lambda e: float(np.sum(e**2)))
                    off.setdefault((detector.name, blur), []).append(best)
    rows = [
        {
            "detector": name,
            "blur_px": blur,
            "found": sum(map(len, errors)),
            "of": len(LENSES) * PICTURES * len(board.points),
            "corner_px": round(float(np.sqrt(np.mean(np.vstack(errors) ** 2))), 4),
        }
        for (name, blur), errors in sorted(off.items())
    ]
    return pl.DataFrame(rows)


if __name__ == "__main__":
    table = compared()
    table.write_csv(HERE / "boards.csv")
    print(table)
