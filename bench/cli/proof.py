"""`sightbench proof`: checks of a bay on site, planned and evaluated."""

from __future__ import annotations

import typer

from bench.cli import proof_length, proof_moved, proof_repeat

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    help="Plan and evaluate checks of a bay on site.\n\n"
    "Each check has a plan, which says what to measure and how small a fault it will find, and an "
    "evaluation, which reads the table that you filled in. They are checks for the shop, no "
    "calibration by a laboratory and no acceptance test by a guideline.",
    epilog="Exit codes: 0 holds, 1 doesn't hold, 2 bad input, 3 could not judge.",
)
app.add_typer(proof_length.app, name="length")
app.add_typer(proof_repeat.app, name="repeat")
app.add_typer(proof_moved.app, name="moved")
