"""The line protocol of external pipelines: what is asked.

One JSON object a line each way, UTF-8, over a process's standard input and output. The picture
is the whole of what is asked about: where it is a part of the sensor, the principal point is
shifted with it, so that a pipeline needs to know nothing of parts. PROTOCOL.md has the
protocol in prose; `bench.verify.protocol_answer` reads what comes back.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from bench.detect.observation import Observation
from bench.imaging.picture import Picture
from bench.targets.dictionary import dictionary, marker_cells
from bench.targets.target import Target
from bench.typing import Array

# Raise when a pipeline written for an earlier version would misread a request or be misread.
# 2: `cells` may reach beyond the square between a marker's corners, as `outside` says; bitmaps;
# other lens models than Brown-Conrady.
VERSION = 2

CONVENTIONS: Mapping[str, str] = {
    "pixels": "(0, 0) is the centre of the picture's top-left pixel; u right, v down",
    "corners": "in the picture as it is, lens distortion included; a marker's points 0 to 3 are "
    "top left, top right, bottom right, bottom left of the marker as OpenCV draws it upright, or "
    "the AprilTag library in families that OpenCV lacks",
    "cells": "all that is printed of a marker, row 0 on top, 0 black and 1 white; the square "
    "between its corners begins `outside` cells within on every side. Of a bitmap the picture's "
    "pixels, under 'bitmap', between its points p0 to p3: corners from the top left clockwise",
    "camera_frame": "x right, y down, z forward",
    "target_frame": "origin at the plate's centre, x right, y up on its face, z out of the face",
    "pose": "p_camera = rotation p_target + translation",
    "distortion": "as OpenCV has it: k1, k2, p1, p2, k3; of a rational model k4, k5, k6 too; of a "
    "fisheye one k1 to k4",
    "covariance": "of (w, t): rotation <- rotation exp([w]x), w about the target's axes, then "
    "translation <- translation + t in the camera frame",
    "units": "metres, radians, pixels",
}


def point_names(target: Target) -> dict[str, Array]:
    """Return the target's points (3,), metres, by the name that answers use.

    ``"7.0"`` to ``"7.3"`` are the corners of marker 7 in the order of `Target.markers`, ``"p0"``
    and on those of `Target.points`.
    """
    named = {f"{i}.{k}": xy for i, four in target.markers.items() for k, xy in enumerate(four)}
    named |= {f"p{k}": xy for k, xy in enumerate(target.points)}
    return {name: np.array([xy[0], xy[1], 0.0]) for name, xy in named.items()}


def request_line(request_id: int, image: Path, observation: Observation) -> bytes:
    """Return the line that asks for a target in a picture, newline included.

    Parameters
    ----------
    request_id : int
        What the answer must repeat.
    image : Path
        Where the picture lies, a PNG of one grey channel whose values aren't shifted up.
    observation : Observation
        What is asked about.
    """
    request = {
        "protocol": VERSION,
        "id": request_id,
        "image": str(image.absolute()),
        "picture": _picture(observation.picture),
        "camera": _camera(observation),
        "target": _target(observation.target),
        "conventions": CONVENTIONS,
    }
    return json.dumps(request, allow_nan=False, separators=(",", ":")).encode() + b"\n"


def _picture(picture: Picture) -> dict[str, Any]:
    return {
        "width": picture.grey.shape[1],
        "height": picture.grey.shape[0],
        "bits": 8 * picture.grey.dtype.itemsize,
        "full_scale": int(picture.full_scale),
    }


def _camera(observation: Observation) -> dict[str, Any]:
    camera, picture = observation.camera, observation.picture
    return {
        "fx": float(camera.fx),
        "fy": float(camera.fy),
        "cx": float(camera.cx - picture.u0),
        "cy": float(camera.cy - picture.v0),
        "model": camera.model,
        "distortion": [float(k) for k in camera.opencv_coefficients],
    }


def _target(target: Target) -> dict[str, Any]:
    return {
        "name": target.name,
        "kind": target.kind,
        "dictionary": target.dictionary,
        "marker_ids": sorted(target.markers),
        "cells": _cells(target),
        "outside": 0 if target.dictionary is None else dictionary(target.dictionary).outside,
        "marker_size": float(target.marker_size),
        "layout": list(target.layout),
        "pitch": float(target.pitch),
        "symmetric": target.symmetric,
        "plate": [float(target.drawing.width), float(target.drawing.height)],
        "points": {name: [float(p[0]), float(p[1])] for name, p in point_names(target).items()},
    }


def _cells(target: Target) -> dict[str, list[str]]:
    """Return each marker's rows of cells as it is printed upright, 0 black and 1 white."""
    if target.bitmap:
        return {"bitmap": list(target.bitmap)}
    if target.dictionary is None:
        return {}
    return {
        str(i): ["".join("01"[int(white)] for white in row) for row in cells]
        for i in sorted(target.markers)
        for cells in [marker_cells(target.dictionary, i)]
    }
