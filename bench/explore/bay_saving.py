"""A state of the bay as files: the bay file with its comments kept, and pictures with captions."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from tempfile import TemporaryDirectory

from bench.explore.bay_result import layout_words
from bench.explore.bay_state import BayState, MovableBay
from bench.files import settle
from bench.scene.model import Bay
from bench.scene.toml_edit import Edit, edit_toml
from bench.siting.files import edits_of
from bench.siting.tower_layout import layout_of
from bench.strict import toml_text


def moved_bay(state: BayState, movable: MovableBay) -> str:
    """Return the bay file's text with a state's values; everything else stays, comments too.

    Raises
    ------
    ConfigError
        The file is written in a way that can't be edited in place.
    """
    edits, inline = [], dict[tuple[str | int, ...], dict[str, str]]()
    for key, text in movable.full(state).items():
        *steps, name = key.split(".")
        table = tuple(int(step) if step.isdecimal() else step for step in steps)
        if table[-1:] == ("mount",) and len(table) > 1 and not _has(movable, table):
            inline.setdefault(table[:-1], {})[name] = json.dumps(text)
        else:
            edits.append(Edit(table, name, json.dumps(text)))
    for table, values in inline.items():
        content = ", ".join(f"{name} = {value}" for name, value in values.items())
        edits.append(Edit(table, "mount", f"{{ {content} }}"))
    own = movable.own
    # paths of meshes, for the file goes elsewhere
    edits += [e for e in edits_of(movable.document, own, own) if e.key == "file"]
    return edit_toml(toml_text(own.path), edits)


def _has(movable: MovableBay, table: tuple[str | int, ...]) -> bool:
    found = movable.document
    for step in table:
        try:
            found = found[step]  # type: ignore[index]  # lists among tables
        except (KeyError, IndexError):
            return False
    return True


def bay_files(state: BayState, movable: MovableBay, bay_file: Path | None) -> dict[str, bytes]:
    """Return a state's pictures as PNG, SVG and PDF, and its bay file, by name.

    From above, and what each tower should see; captions say layout, verdict and the command
    that writes them again.

    Raises
    ------
    StateError, ConfigError
        As `MovableBay.bay` and `moved_bay`.
    """
    # matplotlib takes a second to load, which the page's first answer needn't wait for
    from bench.draw import style
    from bench.draw.prints import save_print
    from bench.explore.bay_result import compute_bay
    from bench.sighting.overview import plan_figure
    from bench.sighting.view_table import views
    from bench.siting.aim import judge_aim
    from bench.siting.aim_picture import write_aim_pictures

    bay = movable.bay(state)
    result = compute_bay(state, movable)
    words = [result["verdict"]["words"], *(m["words"].rstrip(".") for m in result["misfits"])]
    note = ". ".join([*words, *_layout(bay), command_of(state, bay_file)])
    seen = views(bay, [state.vehicle], [state.station])
    with TemporaryDirectory() as folder:
        with style.applied():
            vehicle, station = movable.vehicle(state), movable.station(state)
            figure = plan_figure(bay, vehicle, station, seen, note)
        written = save_print(figure, Path(folder), "bay")
        written += write_aim_pictures(Path(folder), judge_aim(bay, movable.predictor), note)
        settle()  # a command's files otherwise wait for its end
        files = {path.name: path.read_bytes() for path in written}
    return files | {saved_name(movable): moved_bay(state, movable).encode()}


def saved_name(movable: MovableBay) -> str:
    """Return what the saved bay file is called: never as the one that it comes from."""
    return f"{movable.own.path.stem}-moved.toml"


def command_of(state: BayState, bay_file: Path | None) -> str:
    """Return the command that writes a state's files again."""
    words = ["sightbench", "explore", *([] if bay_file is None else [str(bay_file)])]
    return shlex.join([*words, "--page", "bay", "--state", state.permalink(), "--out", "DIR"])


def _layout(bay: Bay) -> list[str]:
    left_right = [tower.placement.offset > 0.0 for tower in bay.towers]
    return [layout_words(layout_of(bay))] if sorted(left_right) == [False, True] else []
