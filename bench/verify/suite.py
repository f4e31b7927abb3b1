"""Suites: named groups of cases, read from TOML as strictly as bay files.

A group says between what limits range, tilt, roll and place are drawn, and what spoils the
picture. Its numbers are drawn once and for all: a case depends on the suite's seed and its own
key alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from bench.assets import asset
from bench.built.sizes import sizes_from, words_of_sizes
from bench.defaults import SUITES
from bench.digest import content_digest
from bench.errors import BenchError, ConfigError
from bench.imaging.illumination import Illumination
from bench.imaging.model import Imaging
from bench.scene.bay_section import LightSection
from bench.scene.budget_section import BudgetSection
from bench.scene.camera_section import CameraSection
from bench.scene.imperfections_section import ImperfectionsSection
from bench.scene.quantities import Pair, Quantity, written
from bench.scene.target_section import TargetSection
from bench.strict import Section, read_toml, validate
from bench.survey.setting import Setting
from bench.targets.design import build_target

FOLDER = "suites"
# Files of this form have no imperfections: they and their baselines are from before there were.
FIRST_FORM = 1
# Sections that a bay file has too.
SIZES = ("budget", "imperfections")
AS_DRAWN = "As drawn: noise alone, beside what a group is about."
# Beyond this a plate's outline comes near its edge-on view, where it has no picture.
MAX_TILT = "85 deg"
Limits = tuple[float, float]
Fractions = Annotated[
    list[Annotated[float, Field(ge=0.0, le=1.0)]], Field(min_length=2, max_length=2)
]


@dataclass(frozen=True)
class Spot:
    """A lamp's reflection somewhere on the plate: peak, fraction of full well, and sigma, m."""

    level: float
    sigma: float


@dataclass(frozen=True)
class Group:
    """Cases of one kind, each number as `GroupSection` says; metres, radians, pixels, fractions.

    Pairs are the least and the most of what is drawn. Where `edge_px` is given, `across` and
    `down` don't count; where `blur_px` or `motion_px` isn't, the suite's does.
    """

    name: str
    cases: int
    empty: bool
    range_m: Limits
    tilt: Limits
    roll: Limits
    across: Limits
    down: Limits
    edge_px: Limits | None
    light: float
    blur_px: float | None
    motion_px: float | None
    highlight: Spot | None
    hidden: Limits | None
    scratches: int
    dirt: int
    others: int
    clutter: int


@dataclass(frozen=True, eq=False)
class Suite:
    """Groups of cases, and the camera, light and target that they share.

    `setting.built` has the imperfections of its pictures, and `pictures` says so in a line.
    """

    name: str
    summary: str
    seed: int
    setting: Setting
    groups: tuple[Group, ...]
    path: Path
    pictures: str = AS_DRAWN

    @property
    def cases(self) -> int:
        """Cases in all groups."""
        return sum(group.cases for group in self.groups)

    @cached_property
    def digest(self) -> str:
        """Digest of all that decides a picture; name and summary don't."""
        return content_digest((self.seed, self.setting, self.groups))


class SpotSection(Section):
    """A lamp's reflection, somewhere on the plate."""

    level: Annotated[float, Field(gt=0.0, le=100.0)]
    """Peak, as a fraction of what saturates a pixel."""
    sigma: Annotated[float, Quantity("length", "0.1 mm", "10 m")]
    """Standard deviation of its Gaussian profile."""


class GroupSection(Section):
    """Cases of one kind. Pairs are limits, between which every case draws its own value."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9 _-]{0,39}$", examples=["far"])]
    """Lower case; part of every case's key."""
    cases: Annotated[int, Field(ge=1, le=1_000_000)]
    """How many."""
    empty: bool = False
    """No target is there: whatever a pipeline finds is a false positive."""
    range: Annotated[Limits, Pair("length", "0 m", "1000 m", above=True)]
    """Camera to target."""
    tilt: Annotated[Limits, Pair("angle", "0 deg", MAX_TILT)] = written(("0 deg", "45 deg"))
    """From facing the camera, in a direction drawn from all round."""
    roll: Annotated[Limits, Pair("angle", "-180 deg", "180 deg")] = written(("-20 deg", "20 deg"))
    """About the line of sight."""
    across: Fractions = Field(default_factory=lambda: [0.2, 0.8])
    """Where the target's centre is in the picture: 0 is its left border, 1 its right."""
    down: Fractions = Field(default_factory=lambda: [0.2, 0.8])
    """The same from the top."""
    edge: Annotated[Limits, Pair("pixels", "0 px", "1000 px")] | None = None
    """How far the pattern keeps from one border of the picture, instead of across and down."""
    light: Annotated[float, Field(gt=0.0, le=100.0)] = 1.0
    """Times the suite's light."""
    blur: Annotated[float, Quantity("pixels", "0.05 px", "20 px")] | None = None
    """The lens's blur, instead of the suite's."""
    motion: Annotated[float, Quantity("pixels", "0 px", "100 px")] | None = None
    """Length of the motion during the exposure, in a direction drawn from all round."""
    highlight: SpotSection | None = None
    """A lamp's reflection somewhere on the plate."""
    hidden: Fractions | None = None
    """Share of the pattern's width that something dull hides, from a side drawn at random."""
    scratches: Annotated[int, Field(ge=0, le=50)] = 0
    """Bright scratches across the plate."""
    dirt: Annotated[int, Field(ge=0, le=50)] = 0
    """Dull spots on the plate."""
    others: Annotated[int, Field(ge=0, le=4)] = 0
    """Wrong targets of the same kind and size around; needs a single marker as target."""
    clutter: Annotated[int, Field(ge=0, le=50)] = 0
    """Patches of any grey in an empty picture."""

    @model_validator(mode="after")
    def _ordered(self) -> GroupSection:
        for key in ("range", "tilt", "roll", "across", "down", "edge", "hidden"):
            pair = getattr(self, key)
            if pair is not None and pair[0] > pair[1]:
                raise ValueError(f"{key}: the first value must not exceed the second")
        if self.clutter and not self.empty:
            raise ValueError("clutter needs empty = true")
        return self

    def to_group(self) -> Group:
        """Return the group."""
        same = ("name", "cases", "empty", "tilt", "roll", "light", "scratches", "dirt", "others")
        spot, hidden = self.highlight, self.hidden
        return Group(
            **{key: getattr(self, key) for key in (*same, "clutter")},
            range_m=self.range,
            across=(self.across[0], self.across[1]),
            down=(self.down[0], self.down[1]),
            edge_px=self.edge,
            blur_px=self.blur,
            motion_px=self.motion,
            highlight=None if spot is None else Spot(spot.level, spot.sigma),
            hidden=None if hidden is None else (hidden[0], hidden[1]),
        )


class SuiteSection(Section):
    """A suite file."""

    schema_version: Literal[1, 2] = 1
    """Of this file's form: 2 has imperfections in its pictures, 1 has none."""
    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$", examples=["quick"])]
    """Lower case."""
    summary: Annotated[str, Field(max_length=200)] = ""
    """What it is for, one line."""
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1
    """Start of all randomness."""
    camera: CameraSection
    """As in a bay file."""
    light: LightSection = Field(default_factory=lambda: LightSection())
    """As in a bay file, without a highlight."""
    target: TargetSection
    """As in a bay file."""
    as_drawn: bool = False
    """Leave imperfections out, noise alone; of form 2, since 1 has none."""
    budget: BudgetSection | None = None
    """As in a bay file: sizes of what camera, print and plate are off by. Form 2."""
    imperfections: ImperfectionsSection | None = None
    """As in a bay file: ink, paper, light, blur, reflections, dirt. Form 2."""
    group: Annotated[list[GroupSection], Field(min_length=1, max_length=100)]
    """Groups of cases."""

    @model_validator(mode="after")
    def _consistent(self) -> SuiteSection:
        names = [group.name for group in self.group]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"two of the groups are called '{name}'; names must differ")
        if self.light.highlight is not None:
            raise ValueError("light.highlight: give highlights to groups")
        if self.target.kind != "marker" and any(group.others for group in self.group):
            raise ValueError("group.others needs a target of kind marker")
        sized = [name for name in SIZES if getattr(self, name) is not None]
        if sized and (self.schema_version == FIRST_FORM or self.as_drawn):
            why = "as_drawn leaves them out" if self.as_drawn else "that needs schema_version = 2"
            raise ValueError(f"{sized[0]}: {why}")
        return self

    @property
    def is_built(self) -> bool:
        """Whether its pictures have imperfections."""
        return self.schema_version > FIRST_FORM and not self.as_drawn


def load_suite(name: str | Path) -> Suite:
    """Return a suite that ships with the package, by name, or one's own, by path.

    Raises
    ------
    ConfigError
        There is none, or the file isn't a suite: one line with file, key, value and limit.
    """
    path = asset(f"{FOLDER}/{name}.toml") if name in SUITES else Path(name)
    if name not in SUITES and not path.exists():
        raise ConfigError(f"suite {name}: neither a file nor one that ships: {', '.join(SUITES)}")
    section = validate(SuiteSection, read_toml(path), path)
    key = "target"
    try:
        target = build_target(section.target.to_design())
        light = Illumination(section.light.level, section.light.gradient)
        key = "camera"
        imaging = Imaging(
            section.camera.optics.to_optics(), light, section.camera.sensor.to_sensor()
        )
        setting, pictures = _built(section, Setting(section.camera.to_camera(), imaging, target))
    except BenchError as error:
        raise ConfigError(f"{path}: {key}: {' '.join(str(error).split())}") from error
    nearest = 0.5 * math.hypot(target.drawing.width, target.drawing.height)
    for index, group in enumerate(section.group):
        if group.range[0] <= nearest:
            raise ConfigError(
                f"{path}: group.{index}.range: {group.range[0]:g} m is too near: above "
                f"{nearest:.3g} m, half the plate's diagonal, is allowed"
            )
    groups = tuple(group.to_group() for group in section.group)
    return Suite(section.name, section.summary, section.seed, setting, groups, path, pictures)


def _built(section: SuiteSection, drawn: Setting) -> tuple[Setting, str]:
    """Return a suite's setting with its imperfections, if any, and what its pictures are."""
    if not section.is_built:
        return drawn, AS_DRAWN
    terms = (section.budget or BudgetSection()).to_terms()
    more = (section.imperfections or ImperfectionsSection()).to_imperfections()
    sized = tuple(name for name in SIZES if getattr(section, name) is not None)
    sizes = sizes_from(terms, more, drawn.camera)
    words = words_of_sizes(terms, more, sized, "suite")
    return replace(drawn, built=sizes), f"{words} as_drawn = true there leaves noise alone."
