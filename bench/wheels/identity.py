"""Targets on other wheels than their own, by the markers that a table names."""

from __future__ import annotations

from pathlib import Path

from bench.registration.pose_rows import PoseRow
from bench.scene.model import Bay
from bench.scene.wheel_ids import cannot_tell, swap_words
from bench.wheels.table import carried_markers


def identity_words(bay: Bay, path: Path, groups: dict[str, tuple[PoseRow, ...]]) -> list[str]:
    """Say which wheels carry another's target, by the markers that the table names.

    Either targets are swapped on the vehicle or rows are: what was measured is of other wheels
    than the table says.

    Raises
    ------
    ConfigError
        Rows of one wheel name several markers.
    """
    known = dict(bay.wheel_targets)
    carried = carried_markers(path, groups)
    return swap_words(bay, {name: m for name, m in carried.items() if name in known})


def identity_unknown(bay: Bay, path: Path, groups: dict[str, tuple[PoseRow, ...]]) -> str:
    """Say why targets can't be told apart; empty where they are."""
    if not bay.wheel_targets:
        return cannot_tell(bay)
    named = carried_markers(path, groups)
    missing = [name for name in groups if name not in named]
    if not missing:
        return ""
    return (
        f"{path.name} names no marker_id of {', '.join(missing)}: whether these carry their own "
        "targets isn't checked."
    )
