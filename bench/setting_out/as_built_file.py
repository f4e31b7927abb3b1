"""The file of what was measured on site: its tables and keys, read strictly."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from bench.detect.detection import Found
from bench.detect.observation import Observation
from bench.errors import BenchError, ConfigError
from bench.imaging.read import read_picture
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.quantities import Pair, Quantity
from bench.scene.vehicle import Wheel
from bench.setting_out.dimensions import ANCHORS
from bench.setting_out.photo_pose import COMPONENTS, FloorMark, PhotoPose, pose_from_photo
from bench.solve.default_pipeline import default_pipeline
from bench.solve.pipeline import pipeline_from_name
from bench.strict import Section, read_toml, validate
from bench.targets.spec import target_from_spec
from bench.targets.target import Target
from bench.typing import Array
from bench.units import shown

Length = Annotated[float, Quantity("length", "-100 m", "100 m")] | None
Diagonal = Annotated[float, Quantity("length", "0 m", "200 m", above=True)] | None
Angle = Annotated[float, Quantity("angle", "-90 deg", "90 deg")] | None
Slope = Annotated[float, Quantity("angle", "-20 deg", "20 deg")] | None
Places = Annotated[tuple[float, float], Pair("length", "-100 m", "100 m")] | None
TAPE = ("offset", "forward", "height", "yaw", "pitch", "roll", "lean_along", "lean_across")
KINDS = ("marker", "grid", "charuco", "circles")
MIRRORED = math.radians(5.0)


class SquareSection(Section):
    """The square check's diagonals."""

    one_three: Diagonal = None
    """From corner 1, on the tower line at the vehicle's left, to corner 3 on the axle's line."""
    two_four: Diagonal = None
    """From corner 2, on the tower line at the vehicle's right, to corner 4."""


class FloorSlopes(Section):
    """The floor's slopes, by a level; towers are taken to stand plumb on it."""

    along: Slope = None
    """Positive where it rises toward the towers."""
    across: Slope = None
    """Positive where it rises to the vehicle's left."""


class UncertaintySection(Section):
    """Standard uncertainty of each number; numbers are taken as exact where it is left out."""

    length: Annotated[float, Quantity("length", "0 m", "1 m")] = 0.0
    """Of every length."""
    angle: Annotated[float, Quantity("angle", "0 deg", "20 deg")] = 0.0
    """Of every angle."""
    pixel: Annotated[float, Quantity("pixels", "0 px", "1000 px")] = 0.0
    """Of each coordinate read off a picture."""


class AnchorsSection(Section):
    """Anchor points, two at least: from the centre line, and behind the tower line."""

    inner_front: Places = None
    """Toward the centre line, toward the vehicle."""
    outer_front: Places = None
    """Away from the centre line, toward the vehicle."""
    inner_back: Places = None
    """Toward the centre line, away from the vehicle."""
    outer_back: Places = None
    """Away from the centre line and from the vehicle."""


class SeenSection(Section):
    """Where a target appears in the camera's picture."""

    target: str = Field(min_length=1, max_length=200)
    """As the siting sheet lists it, such as "van front left at floor"."""
    at: Annotated[tuple[float, float], Pair("pixels", "-100000 px", "100000 px")]
    """Pixel of the plate's middle, across and down."""


class MarkSection(Section):
    """Where the photographed target stands."""

    offset: Annotated[float, Quantity("length", "-50 m", "50 m")]
    """Of its centre from the centre line, positive to the vehicle's left."""
    distance: Annotated[float, Quantity("length", "-50 m", "100 m")]
    """From the tower line, positive toward the vehicle."""
    height: Annotated[float, Quantity("length", "0 m", "10 m")]
    """Of its centre above the floor."""
    heading: Annotated[float, Quantity("angle", "-180 deg", "180 deg")] = 0.0
    """Of its face from straight toward the tower line, positive to the vehicle's left."""
    pitch: Annotated[float, Quantity("angle", "-89 deg", "89 deg")] = 0.0
    """Of its face above the horizontal; 0 where the plate stands upright."""


class PhotoSection(Section):
    """A photograph, taken by the tower's camera, of a target on a floor mark."""

    image: str = Field(min_length=1, max_length=300)
    """Picture file, relative to this one."""
    target: str | None = Field(None, max_length=200)
    """Such as "charuco:4x4_50:7x5:40 mm:30 mm"; the bay's own when left out."""
    pipeline: str | None = Field(None, max_length=100)
    """What measures it; a photometric one by default."""
    mark: MarkSection
    """Where the target stands."""


class TowerMeasured(Section):
    """What was measured of a tower; what is left out counts as planned."""

    name: str = Field(min_length=1, max_length=60)
    """As the bay file has it."""
    offset: Length = None
    """Of the camera's centre from the centre line, positive to the vehicle's left."""
    forward: Length = None
    """Of the camera's centre behind the tower line, negative before it."""
    height: Length = None
    """Of the camera's centre above the floor."""
    yaw: Angle = None
    """As the bay file has it: from straight along the bay, positive to the camera's left."""
    pitch: Angle = None
    """Positive upwards."""
    roll: Angle = None
    """Positive clockwise as seen from behind the camera."""
    lean_along: Slope = None
    """The tower's lean out of plumb, its top away from the vehicle."""
    lean_across: Slope = None
    """The tower's lean, its top to the vehicle's left."""
    anchors: AnchorsSection | None = None
    """Instead of offset and forward."""
    seen: Annotated[list[SeenSection], Field(min_length=1)] | None = None
    """Instead of yaw and pitch; with two or more, also of roll."""
    photo: PhotoSection | None = None
    """Instead of all else."""


class MeasuredFile(Section):
    """What was measured on site."""

    standoff: Annotated[float, Quantity("length", "0 m", "100 m", above=True)] | None = None
    """From the tower line to the near axle."""
    square: SquareSection | None = None
    """The square check."""
    floor: FloorSlopes | None = None
    """The floor."""
    uncertainty: UncertaintySection | None = None
    """Of the numbers."""
    tower: list[TowerMeasured] = Field(default_factory=list)
    """The towers."""


@dataclass(frozen=True, eq=False)
class Measured:
    """What was measured, as numbers by key.

    Attributes
    ----------
    numbers : dict of str to float
        SI, radians, pixels; such as ``"left/offset"``, ``"left/anchors/inner_front/across"``,
        ``"left/seen/0/u"``, ``"left/photo/yaw"``, ``"square/one_three"``.
    u : dict of str to float
        Standard uncertainties of those that aren't a photo's.
    seen : dict of str to tuple of Wheel
        By tower, whose targets the pixels are of.
    photos : dict of str to PhotoPose
        By tower.
    path : pathlib.Path
        Of the file.
    """

    numbers: dict[str, float]
    u: dict[str, float] = field(default_factory=dict)
    seen: dict[str, tuple[Wheel, ...]] = field(default_factory=dict)
    photos: dict[str, PhotoPose] = field(default_factory=dict)
    path: Path = Path("measured.toml")

    def directions(self) -> list[dict[str, float]]:
        """Return independent changes of the numbers, each of one standard uncertainty."""
        found = [{key: u} for key, u in self.u.items() if u > 0.0]
        for tower, photo in self.photos.items():
            values, vectors = np.linalg.eigh(photo.covariance)
            columns: Array = vectors * np.sqrt(np.maximum(values, 0.0))
            found += [
                {f"{tower}/photo/{c}": float(v) for c, v in zip(COMPONENTS, column, strict=True)}
                for column in columns.T
            ]
        return found


def read_measured(path: Path, bay: Bay) -> Measured:
    """Return what a file says was measured; photographs are evaluated.

    Raises
    ------
    ConfigError
        The file is faulty, names a tower or target that the bay hasn't, gives a number twice in
        different ways, or has no measurement at all.
    PictureError, PlugInError
        Of a photograph.
    """
    section = validate(MeasuredFile, read_toml(path), path)
    numbers: dict[str, float] = {}
    _put(numbers, "standoff", section.standoff)
    for name in ("square", "floor"):
        table = getattr(section, name)
        for key in () if table is None else type(table).model_fields:
            _put(numbers, f"{name}/{key}", getattr(table, key))
    if ("square/one_three" in numbers) != ("square/two_four" in numbers):
        raise ConfigError(f"{path}: square: needs both diagonals, one_three and two_four")
    u = section.uncertainty or UncertaintySection()
    seen: dict[str, tuple[Wheel, ...]] = {}
    photos: dict[str, PhotoPose] = {}
    for index, one in enumerate(section.tower):
        key = f"tower.{index}"
        try:
            tower = _tower_named(bay, one.name)
            if [t.name for t in section.tower].count(one.name) > 1:
                raise ConfigError(f"the {one.name} tower is there twice")
            _check_once(one)
            if one.photo is not None:
                photo = _photo(path, one.photo, bay, tower, u)
                photos[tower.name] = photo
                for name in COMPONENTS:
                    numbers[f"{tower.name}/photo/{name}"] = getattr(photo.placement, name)
            numbers |= _tape(one, tower)
            if one.seen is not None:
                seen[tower.name] = tuple(_wheel(bay, tower, s.target) for s in one.seen)
        except ConfigError as error:
            raise ConfigError(f"{path}: {key}: {error}") from error
    if not numbers:
        raise ConfigError(
            f"{path}: has no measurement; 'sightbench site --template' writes a file to fill in"
        )
    sizes = {key: _u_of(key, u) for key in numbers if "/photo/" not in key}
    return Measured(numbers, sizes, seen, photos, path)


def _put(numbers: dict[str, float], key: str, value: float | None) -> None:
    if value is not None:
        numbers[key] = value


def _u_of(key: str, u: UncertaintySection) -> float:
    last = key.rpartition("/")[2]
    if "/seen/" in key:
        return u.pixel
    is_length = last in (
        "offset", "forward", "height", "standoff", "one_three", "two_four",
    ) or "/anchors/" in key  # fmt: skip
    return u.length if is_length else u.angle


def _tower_named(bay: Bay, name: str) -> Tower:
    for tower in bay.towers:
        if tower.name == name:
            return tower
    known = ", ".join(tower.name for tower in bay.towers)
    raise ConfigError(f"name: the bay has no tower {shown(name)}; it has {known}")


def _check_once(one: TowerMeasured) -> None:
    tape = [name for name in TAPE if getattr(one, name) is not None]
    if one.photo is not None and (tape or one.anchors is not None or one.seen is not None):
        other = (tape + ["anchors" if one.anchors is not None else "seen"])[0]
        raise ConfigError(f"photo says all of the camera's place and aim; leave out {other}")
    for key, others in (("anchors", ("offset", "forward")), ("seen", ("yaw", "pitch"))):
        twice = [name for name in others if name in tape]
        if getattr(one, key) is not None and twice:
            raise ConfigError(f"{key} and {twice[0]} say the same twice; leave one out")


def _tape(one: TowerMeasured, tower: Tower) -> dict[str, float]:
    """Return a tower's numbers, anchors as distances from the centre line."""
    found: dict[str, float] = {}
    for name in TAPE:
        _put(found, f"{tower.name}/{name}", getattr(one, name))
    planned = tower.placement.offset
    if one.offset is not None and one.offset * planned < 0.0:
        side = "left" if planned > 0.0 else "right"
        sign = "positive" if planned > 0.0 else "negative"
        raise ConfigError(
            f"offset: {1e3 * one.offset:.1f} mm, but the {tower.name} tower is planned {side} of "
            f"the centre line, where offsets are {sign}; or is it the other tower's?"
        )
    for name in ("yaw", "pitch"):
        value, meant = getattr(one, name), getattr(tower.placement, name)
        # as far off as no tower is built, and as the wrong sign gives
        if value is not None and abs(meant) > MIRRORED and abs(value + meant) < MIRRORED:
            raise ConfigError(
                f"{name}: {math.degrees(value):g} deg, planned {math.degrees(meant):.2f} deg: "
                "its sign? Yaw is positive to the camera's left, pitch upwards"
            )
    if one.height is not None and one.height <= 0.0:
        raise ConfigError(f"height: {1e3 * one.height:.1f} mm; a camera is above the floor, 0 mm")
    given = {
        n: getattr(one.anchors, n)
        for n in ANCHORS
        if one.anchors is not None and getattr(one.anchors, n) is not None
    }
    if one.anchors is not None and len(given) < 2:
        raise ConfigError("anchors: needs two anchor points at least")
    for name, (across, behind) in given.items():
        # right of the centre line signed as offsets are, or unsigned as a tape reads
        if across == 0.0 or (across < 0.0 < planned):
            side = "left" if planned > 0.0 else "right"
            raise ConfigError(
                f"anchors.{name}: the {tower.name} tower is planned {side} of the centre line; "
                f"{1e3 * across:.0f} mm lies {'on it' if across == 0.0 else 'right of it'}"
            )
        found[f"{tower.name}/anchors/{name}/across"] = abs(across)
        found[f"{tower.name}/anchors/{name}/behind"] = behind
    for i, seen in enumerate(one.seen or ()):
        found[f"{tower.name}/seen/{i}/u"], found[f"{tower.name}/seen/{i}/v"] = seen.at
    return found


def _wheel(bay: Bay, tower: Tower, name: str) -> Wheel:
    known = {f"{w.vehicle} {w.name} at {w.station}": w for w in wheels_of_tower(bay, tower)}
    if name not in known:
        such = next(iter(known), "nothing")
        raise ConfigError(
            f"seen: the {tower.name} tower has no target {shown(name)}; such as '{such}'"
        )
    return known[name]


def _shown(image: Path, bay: Bay, tower: Tower) -> Target:
    """Return the bay's target that a photograph shows; with ids any wheel's may stand there."""
    targets = [target for _, target in bay.wheel_targets]
    if not targets:
        return bay.target
    picture = read_picture(image, tower.camera)
    pipeline = pipeline_from_name(default_pipeline(bay.target))
    found = [
        target
        for target in targets
        if pipeline.detect(Observation(picture, tower.camera, target)).found is Found.FOUND
    ]
    if len(found) != 1:
        many = "none" if not found else f"{len(found)}"
        raise ConfigError(f"{image} shows {many} of the wheels' targets: name the one on the mark")
    return found[0]


def _photo(
    path: Path, section: PhotoSection, bay: Bay, tower: Tower, u: UncertaintySection
) -> PhotoPose:
    try:
        target: Target = (
            _shown(path.parent / section.image, bay, tower)
            if section.target is None
            else target_from_spec(section.target, KINDS)
        )
    except BenchError as error:
        raise ConfigError(f"photo.target: {error}") from error
    mark = section.mark
    stands = FloorMark(
        mark.offset, mark.distance, mark.height, mark.heading, mark.pitch, u.length, u.angle
    )
    ahead = tower.T_bay_camera.inverse() @ stands.T_bay_target().translation
    if not math.isfinite(ahead[2]) or ahead[2] <= 0.0:
        raise ConfigError(f"photo.mark: lies behind the {tower.name} tower's camera as planned")
    return pose_from_photo(path.parent / section.image, tower, target, stands, section.pipeline)
