"""Files of a siting: tables, JSON, and a bay file with the layout found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl

from bench.envelope import Origin, write_result
from bench.errors import BenchError, ConfigError
from bench.files import remove_files, write_atomically
from bench.parsing import parse_toml
from bench.scene.bay_edits import degrees, place_edits
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.scene.toml_edit import Edit, edit_toml
from bench.sighting.prediction import COVERAGE
from bench.siting.aim import Aim, aim_table
from bench.siting.constraints import sighting_constraints
from bench.siting.limits import Gain, Limit
from bench.siting.result import SITING
from bench.siting.search import LensSiting, Siting
from bench.siting.tower_layout import layout_of
from bench.strict import toml_text
from bench.tables import finite_or_none

SITED_FILE = "sited.toml"
FILES = ("site.csv", "site.json", "sightings.csv")


def aim_of(siting: Siting) -> Aim:
    """Return the layout found as an aim check has it."""
    kept = tuple(sighting_constraints(siting.bay, one) for one in siting.sightings)
    return Aim(siting.bay, siting.predictor, siting.bay.towers, siting.sightings, kept)


def lens_row(one: LensSiting) -> dict[str, Any]:
    """Return what one lens came to, units in the names."""
    layout = one.problem.layout(one.roomy.x)
    return {
        "lens": one.lens,
        "feasible": one.best.feasible,
        "over_tolerance": one.best.share if one.best.feasible else None,
        "spacing_m": layout.spacing,
        "height_m": layout.height,
        "standoff_m": layout.standoff,
        "yaw_deg": math.degrees(layout.yaw),
        "pitch_deg": math.degrees(layout.pitch),
        "starts": len(one.starts),
        "starts_agree": one.agree,
        "binds": "; ".join(one.binding()),
    }


def mount_rows(siting: Siting) -> list[dict[str, Any]]:
    """Return how each mount is set in the layout found, units in the names."""
    return [
        {
            "vehicle": vehicle.name,
            "axle": axle.name,
            "turn_deg": round(math.degrees(axle.mount.turn), 6),
            "pitch_deg": round(math.degrees(axle.mount.pitch), 6),
        }
        for vehicle in siting.bay.vehicles
        for axle in vehicle.axles
    ]


def write_siting(
    directory: Path,
    siting: Siting,
    limits: Sequence[Limit],
    gains: Sequence[Gain],
    search: dict[str, Any],
    sited_digest: str | None,
    origin: Origin,
) -> list[Path]:
    """Write site.csv, a row a lens; sightings.csv; and site.json with everything.

    Parameters
    ----------
    directory : Path
        Where to.
    siting : Siting
        What was found.
    limits, gains : sequence of Limit, of Gain
        What limits it, and what would help.
    search : dict
        ``starts``, ``evaluated_only`` and ``spare``.
    sited_digest : str or None
        Digest of the bay file with the layout found.
    origin : Origin
        Where the numbers come from.

    Raises
    ------
    RunError
        A file can't be written.
    """
    lenses, document, seen = (directory / name for name in FILES)
    rows = [lens_row(one) for one in siting.lenses]
    table = aim_table(aim_of(siting))
    write_atomically(lenses, pl.DataFrame(rows).write_csv(float_precision=5).encode())
    write_atomically(seen, table.write_csv(float_precision=5).encode())
    layout = siting.layout
    value = search | {
        "sited_digest": sited_digest,
        "basis": siting.predictor.basis,
        "coverage_factor": COVERAGE,
        "decision_rule": siting.bay.tolerance.rule_words,
        "feasible": siting.feasible,
        "over_tolerance": finite_or_none(siting.share),
        "layout": {
            "spacing_m": layout.spacing,
            "height_m": layout.height,
            "standoff_m": layout.standoff,
            "yaw_deg": math.degrees(layout.yaw),
            "pitch_deg": math.degrees(layout.pitch),
            "focal_length_mm": None if layout.focal_length is None else 1e3 * layout.focal_length,
        },
        "mounts": mount_rows(siting),
        "lenses": rows,
        "limits": [
            asdict(limit) | {"words": limit.words(siting.chosen.best.share)} for limit in limits
        ],
        "gains": [
            asdict(gain) | {"words": gain.words(siting.chosen.best.share)} for gain in gains
        ],
        "constraints": [
            {
                "name": c.name,
                "where": c.where,
                "value": finite_or_none(c.value),
                "limit": finite_or_none(c.limit),
                "slack": finite_or_none(c.slack),
                "unit": c.unit,
                "holds": c.holds,
            }
            for c in siting.constraints
        ],
        "sightings": table.to_dicts(),
    }
    return [lenses, write_result(document, SITING, value, origin), seen]


def write_sited_bay(directory: Path, siting: Siting) -> tuple[Path | None, str, str | None]:
    """Write the asked bay's file with the layout found as sited.toml.

    Only what changed is changed; comments stay.

    Returns
    -------
    path : pathlib.Path or None
        None where the file is written in a way that can't be edited.
    note : str
        What a reader must know: why there is none, or which mounts the file can't say.
    digest : str or None
        Of the bay that the file describes.

    Raises
    ------
    RunError
        It can't be written.
    """
    path = directory / SITED_FILE
    try:
        text = toml_text(siting.asked.path)
        edited = edit_toml(text, edits_of(parse_toml(text), siting.asked, siting.bay))
        write_atomically(path, edited.encode())
        loaded = load_bay(path)
        _check(loaded, siting.bay)
    except (BenchError, ValueError) as error:
        remove_files([path])
        return None, f"No {SITED_FILE}: {error}", None
    if [v.axles for v in loaded.vehicles] != [v.axles for v in siting.bay.vehicles]:
        note = f"{SITED_FILE} can't say how every mount is set; site.json does."
        return path, note, loaded.digest
    return path, "", loaded.digest


def edits_of(document: dict[str, Any], asked: Bay, sited: Bay) -> list[Edit]:
    """Return what to change in a bay file's text, parsed as `document`, to move its towers."""
    edits = place_edits(document, sited, ("offset", "height", "yaw", "pitch"))
    for i, (before, after) in enumerate(zip(asked.towers, sited.towers, strict=True)):
        if after.camera.fx != before.camera.fx:
            pitch = after.camera.pixel_pitch or 0.0
            value = f'"{1e3 * pitch * after.camera.fx:.6g} mm"'
            own = "camera" in document["tower"][i]
            table = ("tower", i, "camera") if own else ("camera",)
            edit = Edit(table, "focal_length", value)
            edits += [] if edit in edits else [edit]
    return edits + _mounts(document, asked, sited)


def _mounts(document: dict[str, Any], asked: Bay, sited: Bay) -> list[Edit]:
    settings = {(a.mount.turn, a.mount.pitch) for a in sited.axles}
    raw = [axle for vehicle in document.get("vehicle", []) for axle in vehicle["axle"]]
    if len(settings) == 1 and "mount" in document and not any("mount" in axle for axle in raw):
        pair = zip(("turn", "pitch"), settings.pop(), strict=True)
        return [Edit(("mount",), key, degrees(angle)) for key, angle in pair]
    before = {(v.name, a.name): a.mount for v in asked.vehicles for a in v.axles}
    after = {(v.name, a.name): a.mount for v in sited.vehicles for a in v.axles}
    edits = []
    for i, vehicle in enumerate(document.get("vehicle", [])):
        for j, axle in enumerate(vehicle["axle"]):
            mount = after[vehicle["name"], axle["name"]]
            if mount == before[vehicle["name"], axle["name"]]:
                continue
            turn, pitch = degrees(mount.turn), degrees(mount.pitch)
            table = ("vehicle", i, "axle", j)
            if "mount" in axle:
                edits.append(Edit((*table, "mount"), "turn", turn))
                edits.append(Edit((*table, "mount"), "pitch", pitch))
            else:
                edits.append(Edit(table, "mount", f"{{ turn = {turn}, pitch = {pitch} }}"))
    return edits


def _check(loaded: Bay, sited: Bay) -> None:
    """Refuse a file that doesn't say what was found: it must have been written unusually."""
    a, b = layout_of(loaded), layout_of(sited)
    pairs = zip(asdict(a).values(), asdict(b).values(), strict=True)
    if not all(math.isclose(x or 0.0, y or 0.0, abs_tol=1e-5) for x, y in pairs):
        raise ConfigError("the bay file is written in a way that can't be edited in place")
