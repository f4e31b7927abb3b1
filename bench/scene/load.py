"""From a bay file to a bay."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bench.assets import asset
from bench.errors import BenchError, ConfigError
from bench.files import read_file
from bench.imaging.illumination import Highlight, Illumination
from bench.imaging.model import Imaging
from bench.imaging.optics import aperture_at
from bench.scene.bar import Bar
from bench.scene.bay_section import BaySection, LightSection, TowerSection
from bench.scene.budget_section import BudgetSection
from bench.scene.camera_section import CameraSection
from bench.scene.checks import check_bay, check_fit
from bench.scene.imperfections_section import ImperfectionsSection
from bench.scene.mesh_file import read_mesh
from bench.scene.model import Bay, Tower
from bench.scene.siting_section import SitingSection
from bench.scene.surroundings import MeshObject, Surroundings
from bench.scene.surroundings_section import ColumnSection, FloorSection
from bench.scene.vehicle import Mount, Station, Vehicle
from bench.scene.vehicle_section import MountSection
from bench.scene.wheel_ids import wheel_targets
from bench.strict import read_toml, validate
from bench.targets.design import build_target
from bench.units import format_length

SHIPPED_BAY = "training-workshop.toml"
# Tables of sizes that a file may leave out: the bench's own assumptions then count.
SIZES = ("budget", "imperfections")


def load_bay(
    path: Path | str | None = None, changes: Mapping[str, Any] | None = None, fitting: bool = True
) -> Bay:
    """Return the bay that a file describes, or the one that ships with the package.

    >>> import bench
    >>> bay = bench.load_bay(changes={"camera.optics.sigma": "0.8 px"})
    >>> [tower.name for tower in bay.towers]
    ['left', 'right']

    Parameters
    ----------
    path : path or None
        A bay file in TOML; None is the shipped one.
    changes : mapping of str to value, optional
        Keys with their tables, such as ``budget.flatness`` or ``tower.0.yaw``, and values as the
        file writes them, that count in place of the file's.
    fitting : bool
        Whether a bay is refused in which things stand in each other, see
        `bench.scene.checks.misfits`.

    Raises
    ------
    ConfigError
        The file can't be read, has an unknown or missing key, or a value outside its limits;
        one line with file, key, value and what is allowed.
    """
    path = asset(SHIPPED_BAY) if path is None else Path(path)
    content = read_toml(path)
    for name, value in (changes or {}).items():
        _set(content, name, value)
    section = validate(BaySection, content, path)
    key = ""
    try:
        key = "target"
        target = build_target(section.target.to_design())
        towers = []
        for index, tower in enumerate(section.tower):
            key = f"tower.{index}.camera" if tower.camera else "camera"
            towers.append(_tower(section, tower))
        key = ""
        surroundings = _surroundings(section, path.parent)
        key = "bar"
        bar = Bar() if section.bar is None else section.bar.to_bar()
        key = "wheel_ids"
        vehicles, ids = _vehicles(section), section.wheel_ids
        design = section.target.to_design()
        carried = () if ids is None else wheel_targets(design, ids, vehicles, bar)
        key = ""
        bay = Bay(
            name=section.name,
            standoff=section.standoff,
            towers=tuple(towers),
            vehicles=vehicles,
            stations=_stations(section),
            target=target,
            surroundings=surroundings,
            siting=(section.siting or SitingSection()).to_siting(),
            survey=section.survey.to_plan(),
            tolerance=section.tolerance.to_tolerance(),
            digest=digest(section, surroundings),
            path=path,
            bar=bar,
            budget=(section.budget or BudgetSection()).to_terms(),
            imperfections=(section.imperfections or ImperfectionsSection()).to_imperfections(),
            sized=tuple(n for n in SIZES if getattr(section, n) is not None),
            wheel_targets=carried,
        )
        key = "survey.ranges"
        _check_ranges(bay)
        key = ""
        check_bay(bay)
        if fitting:
            check_fit(bay)
    except BenchError as error:
        line = " ".join(str(error).split())  # it may quote the file's text
        line = line.removeprefix("camera: ") if key.endswith("camera") else line
        raise ConfigError(f"{path}: {key}: {line}" if key else f"{path}: {line}") from error
    return bay


def _set(content: dict[str, Any], name: str, value: Any) -> None:
    """Set a value by its dotted name; tables on the way that aren't there are made."""
    *tables, key = name.split(".")
    place: Any = content
    for step in tables:
        if isinstance(place, list):
            if not (step.isdecimal() and int(step) < len(place)):
                raise ConfigError(f"{name}: there are {len(place)}, numbered from 0, no {step}")
            place = place[int(step)]
        elif isinstance(place, dict):
            place = place.setdefault(step, {})
    if not isinstance(place, dict):
        raise ConfigError(f"{name}: isn't a key of a table")
    place[key] = value


def digest(section: BaySection, surroundings: Surroundings | None = None) -> str:
    """Return the SHA-256 of a validated bay's content as canonical JSON, hexadecimal.

    Numbers are in SI units, defaults are filled in, keys are sorted: layout, comments and
    units of the file don't count. What is left out doesn't either, so that a later version
    can know more keys without changing the digest of today's files. Meshes count by what
    their files hold.
    """
    content = section.model_dump(mode="json", exclude_none=True)
    meshes = [o for o in (surroundings or Surroundings()).obstacles if isinstance(o, MeshObject)]
    if meshes:
        content["meshes"] = [hashlib.sha256(read_file(m.path)).hexdigest() for m in meshes]
    canonical = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(canonical.encode()).hexdigest()


def starter() -> str:
    """Return the text of a bay file to start from: the shipped bay with an id for each wheel.

    In the shipped file they are comments: results of it are known by its digest.
    """
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    before, head, rest = text.partition("# [wheel_ids]")
    table, blank, after = rest.partition("\n\n")
    return before + head[2:] + table.replace("\n# ", "\n") + blank + after


def schema() -> dict[str, Any]:
    """Return the JSON Schema of bay files, for editors that complete and check TOML."""
    content = BaySection.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **content}


def _tower(bay: BaySection, tower: TowerSection) -> Tower:
    section = tower.camera or bay.camera
    if not isinstance(section, CameraSection):  # the bay's validator has seen to it
        raise ConfigError("is missing")
    camera = section.to_camera()
    imaging = Imaging(section.optics.to_optics(), _light(bay.light), section.sensor.to_sensor())
    return Tower(tower.name, tower.to_placement(), camera, imaging)


def _vehicles(section: BaySection) -> tuple[Vehicle, ...]:
    mount = (section.mount or MountSection()).to_mount(Mount())
    sections = (*(section.vehicle or ()), *(section.vehicle_family or ()))
    return tuple(vehicle for one in sections for vehicle in one.to_vehicles(mount))


def _stations(section: BaySection) -> tuple[Station, ...]:
    if section.station is None:
        return (Station("floor", section.standoff),)
    return tuple(station.to_station(section.standoff) for station in section.station)


def _surroundings(section: BaySection, directory: Path) -> Surroundings:
    obstacles = tuple(one.to_obstacle(directory) for one in section.obstacle or ())
    for index, obstacle in enumerate(obstacles):
        if isinstance(obstacle, MeshObject):
            try:
                read_mesh(obstacle.path)
            except ConfigError as error:
                raise ConfigError(f"obstacle.{index}.file: {error}") from error
    return Surroundings(
        room=None if section.room is None else section.room.to_room(),
        obstacles=obstacles,
        lamps=tuple(lamp.to_lamp() for lamp in section.lamp or ()),
        column=(section.column or ColumnSection()).to_column(),
        floor=(section.floor or FloorSection()).to_floor(),
        drive_through=section.drive_through,
        cables=tuple(cable.to_cable() for cable in section.cable or ()),
    )


def _light(section: LightSection) -> Illumination:
    spot = section.highlight
    highlight = None if spot is None else Highlight(spot.x, spot.y, spot.sigma, spot.level)
    return Illumination(section.level, section.gradient, highlight)


def _check_ranges(bay: Bay) -> None:
    """Refuse ranges at which the target could touch a camera, or is hopelessly out of focus."""
    drawing = bay.target.drawing
    near = 0.5 * math.hypot(drawing.width, drawing.height) / (1.0 - bay.survey.jitter_range)
    for range_m in bay.survey.ranges_m:
        if range_m <= near:
            raise ConfigError(
                f"{format_length(range_m)} is inside the near plane: above {format_length(near)} "
                "(half the plate's diagonal, and the range's variation) is allowed"
            )
        for tower in bay.towers:
            aperture_at(tower.imaging.optics, tower.camera, range_m)
