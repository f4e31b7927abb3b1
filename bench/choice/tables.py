"""A comparison of drawings as files: choice.csv and choice.json."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from bench.choice.choice import Choice, Ranking
from bench.choice.words import trait_words
from bench.envelope import Facts, Kind, Origin, write_result
from bench.files import write_atomically
from bench.targets.fill import Plate

CHOICE_FILES = ("choice.csv", "choice.json")
CHOICE = Kind("choice of a drawing", CHOICE_FILES[1], "choose", Facts)


def write_choice(
    directory: Path,
    choice: Choice,
    plate: Plate,
    words: Sequence[str],
    plan: Mapping[str, Any],
    origin: Origin,
) -> list[Path]:
    """Write ``choice.csv``, the table, and ``choice.json``, all there is; return the files.

    Parameters
    ----------
    directory : Path
        Where to.
    choice : Choice
        What was found.
    plate : Plate
        That the drawings are on.
    words : sequence of str
        The same in sentences.
    plan : mapping
        What every drawing was surveyed by.
    origin : Origin
        Where the numbers come from.

    Raises
    ------
    RunError
        A file can't be written.
    """
    csv, summary = (directory / name for name in CHOICE_FILES)
    value = {
        "asked": dataclasses.asdict(choice.request),
        "verdict": choice.verdict,
        "words": list(words),
        "plate_m": plate.size,
        "candidates": [
            {
                "name": s.candidate.name,
                "spec": s.candidate.spec,
                "directory": s.candidate.folder,
                "pipelines": s.candidate.pipelines,
                "not_in_the_map": trait_words(s.candidate.target),
            }
            for s in choice.surveyed
        ],
        "ranking": _ranking(choice.ranking),
        "limits": choice.table.to_dicts(),
        **plan,
    }
    write_atomically(csv, choice.table.write_csv().encode())
    return [csv, write_result(summary, CHOICE, value, origin)]


def _ranking(ranking: Ranking) -> dict[str, Any]:
    best = ranking.best
    return {
        "first": None if best is None else best.candidate,
        "decided": best is not None and not ranking.rivals,
        "may_hold_more": [s.candidate for s in ranking.rivals],
        "hold_as_much": [s.candidate for s in ranking.equals],
        "standings": [dataclasses.asdict(s) for s in ranking.standings],
        # how many times as large the first one's error is, where both hold
        "error_ratio_to": {name: dataclasses.asdict(r) for name, r in ranking.ratios.items()},
    }
