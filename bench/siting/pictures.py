"""Pictures of the layout found: the landscape around it, and what each tower should see."""

from __future__ import annotations

from pathlib import Path

from bench.siting.aim_picture import write_aim_pictures
from bench.siting.files import aim_of
from bench.siting.landscape import slices_of
from bench.siting.landscape_figure import write_landscape
from bench.siting.search import Siting
from bench.siting.tower_layout import layout_of


def write_siting_pictures(out: Path, siting: Siting, evaluated: bool, note: str) -> list[Path]:
    """Draw the landscape and each tower's aim; return the files.

    Parameters
    ----------
    out : Path
        Directory.
    siting : Siting
        Whose layout.
    evaluated : bool
        Whether it is the bay's own layout, judged as it is.
    note : str
        Where the pictures come from, for their captions.

    Raises
    ------
    RunError
        A file can't be written.
    """
    one = siting.chosen
    layouts = {"found": siting.layout} if not evaluated else {}
    # under another lens its layout keeps and breaks other limits than those drawn
    own = siting.asked.towers[0].camera.fx == siting.bay.towers[0].camera.fx
    if own:
        layouts["as the bay file has it"] = layout_of(siting.asked)
    left_out = "" if own else "The bay file's own layout has another lens and isn't marked. "
    caption = (
        f"{left_out}Lens {one.lens}; holders as set for the layout found; "
        f"{siting.predictor.basis}. Hatched: not allowed, named by what is broken most (an edge's "
        f"name: the margin there). {note}"
    )
    x = one.roomy.x
    drawn = write_landscape(
        out,
        slices_of(one.problem, x, one.roomy.choice),
        layouts,
        f"{siting.asked.name}: worst uncertainty around the layout",
        caption,
    )
    return drawn + write_aim_pictures(out, aim_of(siting), note)
