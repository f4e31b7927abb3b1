"""Sidecars of teaching pictures: where every number comes from, and how to make it again."""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from bench.files import make_directory, write_atomically
from bench.provenance import library_versions
from bench.scene.model import Bay
from bench.teaching.trials import Illustrated
from bench.teaching.words import Said


@dataclass(frozen=True)
class Making:
    """What a picture is made from besides its scene.

    Attributes
    ----------
    bay : Path or None
        The trainer's file; None is the shipped one.
    pipeline : str
        Detector/solver.
    trials, seed : int
        Pictures a scene, and start of all randomness.
    language : str
        Of the captions.
    captions : Path or None
        A rewording.
    as_drawn : bool
        Whether the bay's imperfections are left out.
    """

    bay: Path | None
    pipeline: str
    trials: int
    seed: int
    language: str
    captions: Path | None = None
    as_drawn: bool = False

    def command(self, set_name: str, case: str | None, *more: str) -> str:
        """Return the command that makes exactly this picture in a folder DIR."""
        words = ["sightbench", "illustrate", *([] if self.bay is None else [str(self.bay)])]
        words += ["--set", set_name, *([] if case is None else ["--case", case]), *more]
        words += ["--pipeline", self.pipeline, "--trials", str(self.trials)]
        words += ["--seed", str(self.seed), "--language", self.language]
        words += ["--as-drawn"] if self.as_drawn else []
        words += [] if self.captions is None else ["--captions", str(self.captions)]
        return shlex.join([*words, "--out", "DIR"])


def record(shown: Illustrated, said: Said, place: Bay, command: str) -> dict[str, Any]:
    """Return what a sidecar says of one picture; the same for the same picture."""
    return {
        "command": command,
        "set": shown.scene.set,
        "case": shown.scene.name,
        "scene": asdict(shown.scene),
        "view": {
            "tower": shown.tower,
            "target": shown.setting.target.name,
            "range_m": shown.range_m,
            "tilt_deg": shown.tilt_deg,
            "turn_deg": shown.turn_deg,
            "pitch_deg": shown.pitch_deg,
            "size_px": shown.size_px,
            "margin_px": shown.margin_px,
        },
        "n": shown.numbers["n"],
        "seed": shown.seed,
        "pipeline": shown.pipeline,
        "numbers": shown.numbers,
        "error_deg": said.error_deg,
        "interval_deg": [said.low_deg, said.high_deg],
        "tolerance_deg": said.tolerance_deg,
        "verdict": said.verdict_class,
        "outcome": said.outcome,
        "compared_with": _reference(shown),
        "texts": {
            "title": said.title,
            "verdict": said.verdict,
            "result": said.result,
            "why": said.why,
        },
        "picture_of": shown.cases[0]["key"],
        "cases": list(shown.cases),
        "digests": shown.digests,
        "bay": {"name": place.name, "digest": place.digest},
        "versions": dict(library_versions()),
    }


def _reference(shown: Illustrated) -> dict[str, Any] | None:
    """Return what a picture is compared with; its own sidecar says more."""
    its = shown.reference
    if its is None:
        return None
    return {
        "set": its.scene.set,
        "case": its.scene.name,
        "numbers": its.numbers,
        "cases": list(its.cases),
        "digests": its.digests,
    }


def write_sidecar(path: Path, content: dict[str, Any]) -> Path:
    """Write a sidecar; return its path.

    Raises
    ------
    RunError
        It can't be written.
    """
    make_directory(path.parent)
    text = json.dumps(_plain(content), indent=2, ensure_ascii=False, allow_nan=False)
    write_atomically(path, text.encode())
    return path


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(v) for name, v in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and value != value else value
