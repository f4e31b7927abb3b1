"""Rows of text in columns, as the checks on site show them."""

from __future__ import annotations

from collections.abc import Sequence


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows, the first the head, as lines with aligned columns."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
