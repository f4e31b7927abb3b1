"""Advice on a tower's aim as a result that other commands can read."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from bench.aiming.advice import Advice
from bench.aiming.words import advice_words
from bench.envelope import Facts, Kind, Origin, write_result
from bench.sighting.sighting import Sighting

AIM_PHOTO = Kind("aim by a picture", "aim-photo.json", "aim --photo", Facts)


def write_advice(directory: Path, advice: Advice, picture: str, origin: Origin) -> Path:
    """Write aim-photo.json; return its path.

    Raises
    ------
    RunError
        It can't be written.
    """
    placing = advice.placing
    value: dict[str, Any] = {
        "picture": picture,
        "tower": advice.tower.name if placing else None,
        "state": advice.state,
        "words": advice_words(advice),
        "stop_deg": math.degrees(advice.stop),
    }
    if placing is not None:
        value |= {
            "vehicle": placing.vehicle,
            "station": placing.station,
            "turn_left_deg": math.degrees(advice.turn),
            "tip_up_deg": math.degrees(advice.tip),
            "lean_deg": None if advice.lean is None else math.degrees(advice.lean),
            "residual_px": advice.rmse_px,
            "wheels": [_wheel(advice, now, then) for now, then in _pairs(advice)],
            "foreign_markers": list(advice.search.foreign),
            "markers_twice": list(advice.search.twice),
        }
    return write_result(directory / AIM_PHOTO.file, AIM_PHOTO, value, origin)


def _pairs(advice: Advice) -> list[tuple[Sighting, Sighting]]:
    return list(zip(advice.now, advice.then, strict=True))


def _wheel(advice: Advice, now: Sighting, then: Sighting) -> dict[str, Any]:
    assert advice.placing is not None
    one = next((t for t, w in advice.placing.pairs if w.name == now.wheel.name), None)
    return {
        "wheel": now.wheel.name,
        "found": one is not None,
        "marker": None if one is None else one.marker,
        "owner": None if one is None else one.owner,
        "u_px": None if one is None else float(one.centre_px[0]),
        "v_px": None if one is None else float(one.centre_px[1]),
        "room_now_plates": now.margin if now.imaged else None,
        "room_then_plates": then.margin if then.imaged else None,
    }
