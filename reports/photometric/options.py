"""Options that this folder's studies share."""

from __future__ import annotations

import argparse
import os
from pathlib import Path


def parse(study: str, about: str | None, n: int, what: str) -> argparse.Namespace:
    """Return what the command line asks for.

    Parameters
    ----------
    study : str
        Below ``reports``, as Python runs it.
    about : str or None
        What help says of it.
    n : int
        How many pictures by default.
    what : str
        Of what they are so many.
    """
    parser = argparse.ArgumentParser(prog=f"python -m reports.{study}", description=about)
    parser.add_argument(
        "--n", type=int, default=n, help=f"pictures a {what} (default %(default)s)"
    )
    parser.add_argument("--seed", type=int, default=1, help="of all random numbers")
    parser.add_argument(
        "--workers", type=int, default=os.cpu_count() or 1, help="processes (default: all cores)"
    )
    parser.add_argument(
        "--out", type=Path, default=Path("reports/photometric"), help="folder to write to"
    )
    return parser.parse_args()
