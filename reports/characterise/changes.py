"""What a bay's results become with a measured camera: `python -m reports.characterise.changes`.

Reads the folders that `aim` and `budget` wrote for the bay file as said and for the bay.toml that
`characterise` wrote, and puts one table beside the study's report.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

TABLE = Path(__file__).with_name("changes.md")


def value_in(folder: Path, name: str) -> dict[str, Any] | None:
    """Return what a result holds; None where there is none."""
    path = folder / name
    if not path.exists():
        return None
    value: dict[str, Any] = json.loads(path.read_text("utf-8"))["value"]
    return value


def rows(said: dict[str, Any] | None, fitted: dict[str, Any] | None, which: str) -> list[str]:
    """Return the table's lines of one command."""
    if said is None or fitted is None:
        return []
    pairs: list[tuple[str, float, float]] = []
    if which == "aim":
        for name in ("expanded_toe_deg", "expanded_camber_deg", "expanded_along_mm"):
            a, b = (max(float(s[name]) for s in v["sightings"]) for v in (said, fitted))
            pairs.append((name, a, b))
    else:
        for quantity in ("toe", "camber", "thrust"):
            a, b = (
                max(float(s["expanded_deg"]) for s in v["lines"] if s["quantity"] == quantity)
                for v in (said, fitted)
            )
            pairs.append((f"{quantity}, expanded, deg", a, b))
    return [
        f"| {which}: worst {n} | {a:.4g} | {b:.4g} | {b / a - 1.0:+.1%} |" for n, a, b in pairs
    ]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    for which in ("aim", "budget"):
        parser.add_argument(f"--{which}", type=Path, nargs=2, metavar=("SAID", "FITTED"))
    asked = vars(parser.parse_args())
    lines = [
        "# What changes with the measured camera",
        "",
        "The shipped bay, and the bay.toml that the rehearsal of `characterise` wrote for it:",
        "blur 0.70 px where the file says 0.60, all else as said within its uncertainty.",
        "",
        "| result | data sheet | measured | change |",
        "|---|---|---|---|",
    ]
    for which in ("aim", "budget"):
        if asked[which] is not None:
            pair = [value_in(folder, f"{which}.json") for folder in asked[which]]
            lines += rows(pair[0], pair[1], which)
    TABLE.write_text("\n".join(lines) + "\n", "utf-8")
