"""The pictures of `sightbench view`: what is drawn, in which file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import product
from pathlib import Path

import cv2
import numpy as np

from bench.digest import key_digest
from bench.files import write_atomically
from bench.imaging.picture import Picture, Region
from bench.scene.model import Bay
from bench.scene.solids import bay_solids
from bench.scene.vehicle import Station, Vehicle, wheels_at
from bench.sighting.view_table import Seen

LIGHT_LEVEL = 0.6  # of a white target in the overview
BACKGROUND = 0.82  # likewise, where nothing is


def draw_all(
    out: Path,
    bay: Bay,
    seen: Sequence[Seen],
    vehicles: Sequence[str],
    stations: Sequence[str],
    seed: int,
    note: str,
    progress: Callable[[int, int], None],
) -> list[Path]:
    """Draw every picture and return the files.

    Raises
    ------
    RenderError
        Nothing on this machine draws off-screen.
    RunError
        A file can't be written.
    """
    pairs = [
        (vehicle, station)
        for vehicle, station in product(bay.vehicles, bay.stations)
        if vehicle.name in vehicles and station.name in stations
    ]
    written: list[Path] = []
    for done, (vehicle, station) in enumerate(pairs):
        progress(done, len(pairs))
        shown = [
            one
            for one in seen
            if (one.wheel.vehicle, one.wheel.station) == (vehicle.name, station.name)
        ]
        written += _draw(out, bay, vehicle, station, shown, seed, note)
    progress(len(pairs), len(pairs))
    return written


def _draw(
    out: Path,
    bay: Bay,
    vehicle: Vehicle,
    station: Station,
    seen: Sequence[Seen],
    seed: int,
    note: str,
) -> list[Path]:
    # these take a second to load, which the table alone needn't spend
    from bench.draw import style
    from bench.render.bay_picture import bay_scene, camera_picture, draw_view, lit_scene
    from bench.sighting.camera_view import camera_view_figure
    from bench.sighting.overview import plan_figure
    from bench.sighting.overview_perspective import (
        onlooker,
        perspective_figure,
        seen_from,
        softened,
    )

    where = _stem(vehicle.name, station.name)
    written = []
    scene = bay_scene(bay, vehicle, station)
    for tower in bay.towers:
        stem = _stem(tower.name, vehicle.name, station.name)
        rng = np.random.default_rng(np.random.SeedSequence([seed, key_digest(f"view {stem}")]))
        picture = camera_picture(scene, tower, rng, fineness=1)
        written.append(_write_picture(out / f"{stem}.png", picture))
        with style.applied():
            figure = camera_view_figure(
                picture,
                [one for one in seen if one.tower.name == tower.name],
                f"{bay.name}: {vehicle.name} at {station.name}, as the {tower.name} tower sees it",
                f"Light of the bay's lamps, lens distortion and blur, sensor noise. {note}",
            )
        written.append(style.save(figure, out / f"{stem}-named.png"))
    with style.applied():
        figure = plan_figure(bay, vehicle, station, seen, note)
    written.append(style.save(figure, out / f"above-{where}.png"))
    eye, camera = onlooker(bay, vehicle, station)
    solids = seen_from(bay_solids(bay, vehicle, station), eye.translation)
    scene = lit_scene(solids, bay, wheels_at(vehicle, station))
    # before it is drawn, which cuts off what is brighter than full
    colours = softened(LIGHT_LEVEL * scene.lit.colours) / LIGHT_LEVEL
    scene = replace(scene, lit=replace(scene.lit, colours=colours))
    whole = Region(0, 0, camera.width, camera.height)
    colour = draw_view(scene, eye, camera, whole, LIGHT_LEVEL, fineness=2, background=BACKGROUND)
    with style.applied():
        title = f"{bay.name}: {vehicle.name} at {station.name}"
        figure = perspective_figure(bay, seen, solids, colour, (eye, camera), title, note)
    written.append(style.save(figure, out / f"overview-{where}.png"))
    return written


def _write_picture(path: Path, picture: Picture) -> Path:
    """Write grey values as they are."""
    _, content = cv2.imencode(".png", picture.grey)
    write_atomically(path, content.tobytes())
    return path


def _stem(*names: str) -> str:
    joined = "-".join(names).lower()
    return "".join(c if c.isalnum() else "-" for c in joined)
