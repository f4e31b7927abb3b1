"""The pictures of `sightbench view`: what is drawn, in which file."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np

from bench.digest import key_digest
from bench.files import write_atomically
from bench.imaging.picture import Region, png
from bench.processes import pooled, process_pool
from bench.scene.model import Bay
from bench.scene.solids import bay_solids
from bench.scene.vehicle import wheels_at
from bench.sighting.view_table import Seen

LIGHT_LEVEL = 0.6  # of a white target in the overview
BACKGROUND = 0.82  # likewise, where nothing is


@dataclass(frozen=True)
class Drawing:
    """What all pictures have in common.

    Attributes
    ----------
    bay, seen : Bay, tuple of Seen
        What is drawn, and what is said about it.
    seed : int
        Start of the sensor's noise.
    note : str
        Ends the captions.
    """

    bay: Bay
    seen: tuple[Seen, ...]
    seed: int
    note: str


def draw_all(
    out: Path,
    drawing: Drawing,
    vehicles: Sequence[str],
    stations: Sequence[str],
    progress: Callable[[int, int], None],
    workers: int = 1,
) -> list[Path]:
    """Draw every picture and return the files.

    Raises
    ------
    RenderError
        Nothing on this machine draws off-screen.
    RunError
        A file can't be written, or a process died.
    """
    pairs = list(product(vehicles, stations))
    names: dict[tuple[str, str], list[Path]] = {}
    progress(0, len(pairs))
    for pair, files in _drawn(drawing, pairs, min(workers, len(pairs))):
        for name, content in files.items():
            write_atomically(out / name, content)
        names[pair] = [out / name for name in files]
        progress(len(names), len(pairs))
    return [path for pair in pairs for path in names[pair]]


_Drawn = tuple[tuple[str, str], dict[str, bytes]]


def _drawn(drawing: Drawing, pairs: Sequence[tuple[str, str]], workers: int) -> Iterator[_Drawn]:
    """Yield each vehicle and station with its files, in any order."""
    if workers < 2:
        yield from ((pair, _draw(drawing, *pair)) for pair in pairs)
        return
    with process_pool(workers, _start, drawing) as pool:
        yield from pooled(pool, workers, _work, pairs, lambda: False)


_drawing: Drawing | None = None


def _start(drawing: Drawing) -> None:
    global _drawing
    _drawing = drawing
    # of Mesa's software driver: there is a process a core already
    os.environ.setdefault("LP_NUM_THREADS", "1")


def _work(pair: tuple[str, str]) -> _Drawn:
    assert _drawing is not None
    return pair, _draw(_drawing, *pair)


def _draw(drawing: Drawing, vehicle_name: str, station_name: str) -> dict[str, bytes]:
    """Return the files of a vehicle at a station."""
    # these take a second to load, which the table alone needn't spend
    from bench.draw import style
    from bench.render.bay_picture import camera_picture, draw_view, lit_scene
    from bench.sighting.camera_view import camera_view_figure
    from bench.sighting.overview import plan_figure
    from bench.sighting.overview_perspective import (
        onlooker,
        perspective_figure,
        seen_from,
        softened,
    )

    bay, note = drawing.bay, drawing.note
    (vehicle,) = (one for one in bay.vehicles if one.name == vehicle_name)
    (station,) = (one for one in bay.stations if one.name == station_name)
    seen = [
        one
        for one in drawing.seen
        if (one.wheel.vehicle, one.wheel.station) == (vehicle_name, station_name)
    ]
    where = _stem(vehicle.name, station.name)
    files = {}
    solids = bay_solids(bay, vehicle, station)
    scene = lit_scene(solids, bay, wheels_at(vehicle, station))
    for tower in bay.towers:
        stem = _stem(tower.name, vehicle.name, station.name)
        key = [drawing.seed, key_digest(f"view {stem}")]
        rng = np.random.default_rng(np.random.SeedSequence(key))
        picture = camera_picture(scene, tower, rng, fineness=1)
        files[f"{stem}.png"] = png(picture.grey)
        with style.applied():
            figure = camera_view_figure(
                picture,
                [one for one in seen if one.tower.name == tower.name],
                f"{bay.name}: {vehicle.name} at {station.name}, as the {tower.name} tower sees it",
                f"Light of the bay's lamps, lens distortion and blur, sensor noise. {note}",
            )
        files[f"{stem}-named.png"] = style.png(figure)
    with style.applied():
        figure = plan_figure(bay, vehicle, station, seen, note)
    files[f"above-{where}.png"] = style.png(figure)
    eye, camera = onlooker(bay, vehicle, station)
    shown = seen_from(solids, eye.translation)
    lit = scene.lit.only(np.array([any(one is s for s in shown) for one in solids]))
    # before it is drawn, which cuts off what is brighter than full
    colours = softened(LIGHT_LEVEL * lit.colours) / LIGHT_LEVEL
    scene = replace(scene, lit=replace(lit, colours=colours))
    whole = Region(0, 0, camera.width, camera.height)
    colour = draw_view(scene, eye, camera, whole, LIGHT_LEVEL, fineness=2, background=BACKGROUND)
    with style.applied():
        title = f"{bay.name}: {vehicle.name} at {station.name}"
        figure = perspective_figure(bay, seen, shown, colour, (eye, camera), title, note)
    files[f"overview-{where}.png"] = style.png(figure)
    return files


def _stem(*names: str) -> str:
    joined = "-".join(names).lower()
    return "".join(c if c.isalnum() else "-" for c in joined)
