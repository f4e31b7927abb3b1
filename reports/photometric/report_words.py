"""Small pieces of Markdown."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

WIDTH = 98


def paragraph(*sentences: str) -> str:
    """Return sentences as one paragraph, lines broken."""
    return textwrap.fill(" ".join(sentences), WIDTH, break_long_words=False)


def plain(component: str) -> str:
    """Return a component's name without its unit."""
    return component.rsplit("_", 1)[0]


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in line) + " |" for line in lines)
