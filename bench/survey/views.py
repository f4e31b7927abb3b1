"""Tilts, or turns at a pitch, as ranges in words: tilts 20 to 62 deg."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bench.survey.plan import number

View = tuple[float, float]  # pitch and turn, degrees


def views_words(views: Iterable[View], tested: Sequence[View]) -> str:
    """Say which views these are; neighbours among those tested are a range.

    Parameters
    ----------
    views, tested : of (float, float)
        Pitch and turn, degrees.
    """
    wanted, order = set(views), sorted(set(tested))
    tilts = all(pitch == 0.0 and turn >= 0.0 for pitch, turn in order)
    parts = []
    for pitch in sorted({pitch for pitch, _ in wanted}):
        turns = [turn for p, turn in order if p == pitch]
        runs = _runs([turn for turn in turns if (pitch, turn) in wanted], turns)
        several = len(runs) > 1 or runs[0][0] != runs[0][1]
        name = f"{'tilt' if tilts else 'turn'}{'s' if several else ''}"
        at = "" if tilts or pitch == 0.0 else f" at pitch {number(pitch)}"
        parts.append(f"{name} {joined(map(_run_words, runs))}{at} deg")
    return joined(parts)


def joined(words: Iterable[str]) -> str:
    """Return words as a list in a sentence."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def _runs(turns: Sequence[float], tested: Sequence[float]) -> list[tuple[float, float]]:
    """Return the first and last of each run of neighbours."""
    runs: list[tuple[float, float]] = []
    before = None
    for turn in turns:
        place = tested.index(turn)
        if before is not None and place == before + 1:
            runs[-1] = (runs[-1][0], turn)
        else:
            runs.append((turn, turn))
        before = place
    return runs


def _run_words(run: tuple[float, float]) -> str:
    low, high = (number(round(turn, 1)) for turn in run)
    return low if low == high else f"{low} to {high}"
