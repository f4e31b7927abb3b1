"""Pictures of boards, or lists of their points, as sightings that a calibration takes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from bench.cameras.adjustment import BoardView
from bench.cameras.board_search import why_missed
from bench.cameras.calibration import Sighting, look_for_board
from bench.cameras.intrinsics import MIN_POINTS
from bench.detect.detection import Detector
from bench.errors import PictureError
from bench.imaging.read import read_picture
from bench.tables import numbers, read_table, texts
from bench.targets.target import Target

# Pictures without the board that are asked for the reason: one tells as a rule, and each takes
# some seconds.
MOST_ASKED = 3
POINT_COLUMNS = (*texts("picture"), *numbers("u_px", "v_px", "x_mm", "y_mm"))


def look_for_boards(
    paths: Sequence[Path],
    boards: Sequence[tuple[Target, Detector]],
    moved: Callable[[int, int], None],
) -> tuple[tuple[int, int], list[Sighting]]:
    """Return the pictures' common size and what was found in each, board by board.

    A picture that shows none of several boards has one sighting; each board that it shows is a
    view of its own.

    Raises
    ------
    PictureError
        A file can't be read, or is of another size than the first.
    """
    sightings = []
    size = (0, 0)
    asked = 0
    for done, path in enumerate(paths):
        picture = read_picture(path)
        width, height = picture.grey.shape[::-1]
        if done == 0:
            size = (width, height)
        elif (width, height) != size:
            raise PictureError(
                f"{path}: is {width} x {height} px, but {paths[0]} is {size[0]} x {size[1]} "
                "px; calibrate from pictures of one size"
            )
        own = [look_for_board(path.name, picture, *board) for board in boards]
        if len(boards) > 1:
            own = [
                replace(s, view=replace(s.view, name=f"{path.name}, {board.name}"))
                for s, (board, _) in zip(own, boards, strict=True)
            ]
        found = [s for s in own if s.used]
        if not found and own[0].outcome != "too_few_points" and asked < MOST_ASKED:
            asked += 1
            reason = next(filter(None, (why_missed(picture, board) for board, _ in boards)), "")
            own[0] = replace(own[0], reason=reason)
        sightings += found or own[:1]
        moved(done + 1, len(paths))
    return size, sightings


def read_points(path: Path) -> list[Sighting]:
    """Return the sightings of a table of points: picture, u_px, v_px, x_mm, y_mm.

    Pixels have (0, 0) in the centre of the top left pixel; x and y are the point's place on the
    board, y up as the board is read.

    Raises
    ------
    ConfigError
        The table can't be read.
    """
    rows = read_table(path, POINT_COLUMNS, distinct=("picture", "x_mm", "y_mm"))
    sightings = []
    for name in dict.fromkeys(row.texts["picture"] for row in rows):
        own = [row.numbers for row in rows if row.texts["picture"] == name]
        pixels = np.array([[n["u_px"], n["v_px"]] for n in own])
        board = 1e-3 * np.array([[n["x_mm"], n["y_mm"], 0.0] for n in own])
        outcome = "used" if len(own) >= MIN_POINTS else "too_few_points"
        sightings.append(Sighting(BoardView(name, pixels, board), outcome))
    return _centred(sightings)


def _centred(sightings: list[Sighting]) -> list[Sighting]:
    """Return sightings whose board has its origin in the middle of all points, as ours have."""
    points = np.vstack([s.view.p_target for s in sightings])
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    return [replace(s, view=replace(s.view, p_target=s.view.p_target - middle)) for s in sightings]
