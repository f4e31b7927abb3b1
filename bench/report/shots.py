"""Pictures of single cases, rendered again by their keys, with what the detector found on them.

A shot holds grey values as a WebP file and marks as coordinates: the page draws the marks over
the picture, sharp at any size. Coordinates are of the picture's top left corner, so that the
centre of its first pixel is at (0.5, 0.5), as SVG has it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from PIL import Image

from bench.detect.detection import Detection
from bench.detect.observation import Observation
from bench.errors import GeometryError, PlugInError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.viewing import pose_of_view
from bench.imaging.picture import Picture
from bench.plugins import DETECTORS, load
from bench.report.pictures import picture_url
from bench.report.samples import Row
from bench.survey.plan import Case, view_of_case
from bench.survey.truth import bay_of_case
from bench.survey.worker import Job, case_of_row, picture_of_case
from bench.targets.target import Target
from bench.typing import Array

# Pixels beyond which a picture is kept with loss: large ones are mostly sensor noise, which no
# coder packs, and at this quality no grey value is off by what an eye would see.
LOSSLESS_PX = 160 * 160
QUALITY = 85
# The more pictures a page has, the fewer pixels have this room, so that it stays below 10 MB for
# a map of some 300 cells and doesn't grow much beyond it for a larger one.
FEW = 600

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Shot:
    """What a page shows of one case.

    Attributes
    ----------
    width, height : int
        Pixels.
    webp : str
        The picture, a data URL.
    lossless : bool
        Whether every grey value, in 8 bits, is as the camera gave it.
    found : tuple of (float, float)
        Points that the detector found.
    edge : tuple of tuple of (float, float)
        True outlines of the pattern: of each marker, or around a board's points.
    """

    width: int
    height: int
    webp: str
    lossless: bool
    found: tuple[tuple[float, float], ...]
    edge: tuple[tuple[tuple[float, float], ...], ...]

    @property
    def zoom(self) -> int:
        """Whole dots a pixel at which the picture is about 150 dots wide."""
        return max(1, round(150 / max(self.width, self.height)))


def take_shots(
    rows: Iterable[tuple[str, Row]], job: Job, progress: Progress
) -> Mapping[tuple[str, str], Shot]:
    """Return shots of cases by key and detector; each picture is rendered once."""
    by_key: dict[str, tuple[Row, set[str]]] = {}
    for pipeline, row in rows:
        by_key.setdefault(row["key"], (row, set()))[1].add(pipeline.split("/")[0])
    detectors: dict[str, Any] = {}
    shots: dict[tuple[str, str], Shot] = {}
    room_px = LOSSLESS_PX * min(1.0, FEW / max(1, len(by_key)))
    for done, (key, (row, wanted)) in enumerate(sorted(by_key.items())):
        progress(done, len(by_key))
        case = case_of_row(row, job.plan)
        camera, target = job.setting.camera, job.setting.target
        picture = picture_of_case(case, job)
        packed, lossless = pack(picture, room_px)
        T_camera_target_true = pose_of_view(view_of_case(case, job.plan, camera), camera)
        edge = outlines(target, T_camera_target_true, _taken_with(case, job), picture)
        observation = Observation(picture, camera, target, job.setting.imaging.sensor)
        for name in sorted(wanted):
            if name not in detectors:
                detectors[name] = load(DETECTORS, name)
            height, width = picture.grey.shape
            found = _found(detectors[name], observation)
            shots[key, name] = Shot(width, height, packed, lossless, found, edge)
    progress(len(by_key), len(by_key))
    return shots


def pack(picture: Picture, room_px: float) -> tuple[str, bool]:
    """Return a picture as a data URL of a WebP file, and whether nothing was lost."""
    lossless = picture.grey.size <= room_px
    return picture_url(Image.fromarray(picture.grey8), None if lossless else QUALITY), lossless


def outlines(
    target: Target, T_camera_target: Pose, camera: Camera, picture: Picture
) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Return where the outlines of the target's pattern truly lie in the picture."""
    rings = list(target.markers.values())
    if not rings:
        low, high = target.points.min(axis=0), target.points.max(axis=0)
        rings = [np.array([low, (high[0], low[1]), high, (low[0], high[1])])]
    drawn = []
    for ring in rings:
        p_target = np.column_stack((ring, np.zeros(len(ring))))
        try:
            drawn.append(_on_picture(project(p_target, T_camera_target, camera), picture))
        except GeometryError:
            continue
    return tuple(drawn)


def _taken_with(case: Case, job: Job) -> Camera:
    """Return the camera that took a case's picture: of a bay as built, its own."""
    sizes, camera = job.setting.built, job.setting.camera
    if sizes is None:
        return camera
    return bay_of_case(case, job.plan, sizes).camera_of(camera, sizes.modes)


def _found(detector: Any, observation: Observation) -> tuple[tuple[float, float], ...]:
    try:
        detection: Detection = detector.detect(observation)
    except PlugInError:
        return ()
    except Exception:  # the boundary to foreign code; the survey counted it as not finite
        return ()
    finite = detection.pixels[np.isfinite(detection.pixels).all(axis=1)]
    return _on_picture(finite, observation.picture)


def _on_picture(pixels: Array, picture: Picture) -> tuple[tuple[float, float], ...]:
    shifted = pixels - (picture.u0, picture.v0) + 0.5
    return tuple((round(float(u), 2), round(float(v), 2)) for u, v in shifted)
