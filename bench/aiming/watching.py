"""The newest advice while a tower is aimed: a worker that follows a source of pictures."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from threading import Event, Lock, Thread
from typing import Any

import cv2
import numpy as np

from bench.aiming.advice import Advice, advise_aim
from bench.aiming.source import Shot, Source
from bench.aiming.words import advice_words, moves
from bench.errors import BenchError, ConfigError
from bench.scene.model import Bay
from bench.scene.wheel_ids import marker_id
from bench.typing import Array, GreyImage

# Between looks at a source, seconds: a file that has the same size twice is taken as whole.
PAUSE = 0.15
# A picture older than that no longer shows how the tower stands, seconds.
STALE = 10.0
WIDEST = 1280  # of the picture that the page gets, pixels


@dataclass(frozen=True, eq=False)
class Seen:
    """The newest picture with what it says, or why it says nothing.

    Attributes
    ----------
    number : int
        Counts pictures, from 1; 0 before the first.
    name : str
        Of the picture.
    came : float
        When, by the clock of `time.monotonic`.
    advice : Advice or None
        What it says.
    trouble : str
        Why there is no advice, or why a newer picture wasn't taken; empty where all is well.
    jpeg : bytes
        The picture, small.
    """

    number: int = 0
    name: str = ""
    came: float = 0.0
    advice: Advice | None = None
    trouble: str = ""
    jpeg: bytes = b""


class Watch:
    """Follows a source in a thread of its own and keeps the newest advice.

    Parameters
    ----------
    bay : Bay
        As planned.
    source : Source
        Of pictures.
    tower, vehicle, station : str or None
        As `advise_aim` has them.
    stop : float
        Likewise, radians.
    """

    def __init__(
        self,
        bay: Bay,
        source: Source,
        tower: str | None,
        vehicle: str | None,
        station: str | None,
        stop: float,
    ) -> None:
        self.bay, self.source, self.stop = bay, source, stop
        self.asked = {"tower": tower, "vehicle": vehicle, "station": station}
        self._seen, self._lock, self._ended = Seen(), Lock(), Event()
        self._thread = Thread(target=self._follow, daemon=True)

    def start(self) -> None:
        """Begin to follow."""
        self._thread.start()

    def close(self) -> None:
        """End, and let the source go."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(10.0)
        self.source.close()

    @property
    def seen(self) -> Seen:
        """The newest picture with what it says."""
        with self._lock:
            return self._seen

    def look(self) -> bool:
        """Take one look at the source; return whether something came."""
        before = self.seen
        try:
            shot = self.source.newest()
        except BenchError as error:
            self._keep(replace(before, trouble=str(error)))
            return False
        if shot is None:
            return False
        self._keep(self._judged(shot, before.number + 1))
        return True

    def _judged(self, shot: Shot, number: int) -> Seen:
        came, jpeg = time.monotonic(), small_jpeg(shot.picture.grey, shot.picture.full_scale)
        try:
            advice = advise_aim(self.bay, shot.picture, stop=self.stop, **self.asked)
        except ConfigError as error:  # such as more targets than a vehicle has wheels
            return Seen(number, shot.name, came, None, str(error), jpeg)
        return Seen(number, shot.name, came, advice, "", jpeg)

    def _keep(self, seen: Seen) -> None:
        with self._lock:
            self._seen = seen

    def _follow(self) -> None:
        while not self._ended.is_set():
            try:
                self.look()
            except Exception as error:  # a defect must show on the page, not end the thread
                self._keep(replace(self.seen, trouble=f"{type(error).__name__}: {error}"))
            self._ended.wait(PAUSE)


def small_jpeg(grey: GreyImage, full_scale: int) -> bytes:
    """Return a picture for the page: 8 bits, at most `WIDEST` pixels wide."""
    height, width = grey.shape
    shown = np.clip(grey.astype(np.float32) * (255.0 / full_scale), 0.0, 255.0).astype(np.uint8)
    if width > WIDEST:
        size = (WIDEST, round(height * WIDEST / width))
        shown = cv2.resize(shown, size, interpolation=cv2.INTER_AREA)
    _, content = cv2.imencode(".jpg", shown)
    return bytes(content.tobytes())


def state_of(seen: Seen, now: float) -> dict[str, Any]:
    """Return what the page shows, as JSON has it.

    Parameters
    ----------
    seen : Seen
        The newest.
    now : float
        By the clock of `time.monotonic`.
    """
    advice, age = seen.advice, now - seen.came if seen.number else None
    value: dict[str, Any] = {
        "number": seen.number,
        "picture": seen.name,
        "age_s": age,
        "trouble": seen.trouble,
        "state": "waiting",
        "headline": "Waiting for a picture.",
        "lines": [],
        "moves": [],
        "plates": [],
    }
    if advice is None:
        if seen.number:
            value |= {"state": "nothing", "headline": seen.trouble}
        return value
    first, *rest = advice_words(advice)
    arrows = moves(advice)
    value |= {
        "state": advice.state,
        "tower": advice.tower.name,
        "headline": first,
        "lines": rest[len(arrows) :],
        "moves": [{"arrow": arrow, "words": words} for arrow, words in arrows],
        "plates": _plates(advice),
    }
    if age is not None and age > STALE:
        # what was right then needn't be now
        value |= {
            "state": "stale",
            "headline": f"This picture is {age:.0f} s old: take another. It said: {first}",
        }
    return value


def _plates(advice: Advice) -> list[dict[str, Any]]:
    """Return outlines, in fractions of the frame: found ones, and where missing ones should be."""
    camera = advice.tower.camera
    scale = np.array([camera.width, camera.height])

    def points(outline: Array) -> list[list[float]]:
        return [[round(float(v), 4) for v in p] for p in (outline + 0.5) / scale]

    found = [] if advice.placing is None else advice.placing.pairs
    plates = [
        {
            "wheel": wheel.name,
            "id": one.marker,
            "kind": "found" if one.owner in (None, wheel.name) else "swapped",
            "points": points(one.outline_px),
        }
        for one, wheel in found
    ]
    return plates + [
        {
            "wheel": one.now.wheel.name,
            "id": marker_id(advice.bay, one.now.wheel.name),
            "kind": "missing",
            "points": points(one.now.outline_px),
        }
        for one in advice.missing
        if one.now.imaged and math.isfinite(one.now.margin_px)
    ]
