"""Sets of illustrations as files: cards, contact sheets, the moving picture."""

from __future__ import annotations

from pathlib import Path

from bench import __version__
from bench.draw import style
from bench.scene.model import Bay
from bench.teaching.captions import Captions
from bench.teaching.files import save_illustration
from bench.teaching.scenes import SWEEP_NAME, SWEEP_SET
from bench.teaching.sheet import SHAPES as PAGES
from bench.teaching.sheet import save_pages, save_sweep, sheets
from bench.teaching.sidecar import Making, record, write_sidecar
from bench.teaching.trials import Illustrated
from bench.teaching.words import said


def write_cards(
    out: Path, shown: list[Illustrated], place: Bay, making: Making, words: Captions
) -> list[Path]:
    """Write each illustration's card and sidecar."""
    written = []
    for one in shown:
        command = making.command(one.scene.set, one.scene.name)
        stem = f"{one.scene.set}-{one.scene.name}"
        written += save_illustration(one, place, words, command, out, stem)
    return written


def write_sheets(
    out: Path,
    shown: list[Illustrated],
    shapes: list[str],
    place: Bay,
    making: Making,
    words: Captions,
) -> list[Path]:
    """Write the contact sheets of each set in each shape, with sidecars."""
    written = []
    for name in dict.fromkeys(one.scene.set for one in shown):
        of_set = [one for one in shown if one.scene.set == name]
        values = {
            "bay": place.name,
            "target": of_set[0].setting.target.name,
            "pipeline": of_set[0].pipeline,
            "seed": str(making.seed),
            "version": __version__,
        }
        for shape in shapes:
            with style.applied():
                pages = sheets(of_set, PAGES[shape], place, words, values)
            files = save_pages(pages, out, f"{name}-{shape}")
            content = {
                "command": making.command(name, None, "--shape", shape),
                "pictures": [f"{name}-{one.scene.name}.json" for one in of_set],
            }
            written += [*files, write_sidecar(out / f"{name}-{shape}.json", content)]
    return written


def write_sweep(
    out: Path, frames: list[Illustrated], place: Bay, making: Making, words: Captions
) -> list[Path]:
    """Write the moving picture and its sidecar."""
    stem = f"{SWEEP_SET}-{SWEEP_NAME}"
    key = f"{SWEEP_SET}.{SWEEP_NAME}"
    command = making.command(SWEEP_SET, SWEEP_NAME)
    content = {
        "command": command,
        "frames": [record(one, said(one, place, words, key), place, command) for one in frames],
    }
    return [
        save_sweep(frames, place, words, out / f"{stem}.gif"),
        write_sidecar(out / f"{stem}.json", content),
    ]
