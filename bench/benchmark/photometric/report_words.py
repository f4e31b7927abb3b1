"""Small pieces of Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def plain(component: str) -> str:
    """Return a component's name without its unit."""
    return component.rsplit("_", 1)[0]


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in line) + " |" for line in lines)
