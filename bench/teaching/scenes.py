"""The scenes of the teaching pictures, shipped or a trainer's own, as tables of a TOML file.

A set's first scene is its good view. Each other one inherits all that the first has, and names
what differs: one variable moves. Lengths on the target are in widths of its plate and ranges in
those of the bay's own axles, so that one table serves any bay and target.
"""

from __future__ import annotations

import re
from collections import Counter
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from bench.assets import asset
from bench.errors import ConfigError
from bench.scene.fields import Fraction, Tilt
from bench.scene.quantities import Quantity, written
from bench.strict import Section, read_toml, validate
from bench.teaching.sets import SETS
from bench.units import shown


def _name(text: str) -> str:
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", text):
        raise ValueError(f"{shown(text)} must be small letters, digits and hyphens: two-lamps")
    return text


Name = Annotated[str, Field(max_length=24), AfterValidator(_name)]
Share = Annotated[float, Field(ge=-10.0, le=10.0)]
Size = Annotated[float, Field(gt=0.0, le=10.0)]
Pixels = Annotated[float, Quantity("pixels", "0 px", "100 px")]
Small = Annotated[float, Quantity("angle", "-10 deg", "10 deg")]
# The sweep's frames, also what says how steep is too steep; and a view that somebody set up.
SWEEP_SET, SWEEP_NAME = "tilt", "sweep"
SWEEP_FILES = (SWEEP_NAME, "steepest")
SWEEP_TURNS_DEG = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 75.0, 80.0, 84.0, 87.0)
OWN_SET, OWN_NAME = "view", "own"
# Most characters of a text: a title has one line of a slide, a mark two short ones, a lesson two.
LONGEST = {"title": 60, "mark": 80, "lesson": 130, "why": 600}
# Keys that make one difference together.
_TOGETHER = (
    ("axle", "times"), ("turn", "lit"), ("focus", "f_number"), ("blur", "veil"),
    ("light", "gradient"), ("astray", "by"),
)  # fmt: skip


class Spot(Section):
    """A lamp's mirror image on the face: middle from the plate's, spread, peak in full wells."""

    x: Share = 0.0
    y: Share = 0.0
    sigma: Size
    level: Annotated[float, Field(ge=0.0, le=100.0)]


class Shade(Section):
    """A shadow's rectangle on the face, and what of the light it leaves."""

    x: Share = 0.0
    y: Share = 0.0
    width: Size
    height: Size
    factor: Fraction


class Cover(Section):
    """Something opaque on or before the face: a rectangle, or an ellipse."""

    kind: Literal["mud", "clamp", "post", "tyre"]
    x: Share = 0.0
    y: Share = 0.0
    width: Size
    height: Size
    reflectance: Fraction
    round: bool = False
    on_corner: bool = False
    """Whether the middle is counted from the pattern's upper right corner, else the plate's."""


class Texts(Section):
    """A scene's words, in a trainer's own file; shipped scenes have theirs in a catalogue."""

    title: Annotated[str, Field(min_length=1, max_length=LONGEST["title"])]
    mark: Annotated[str, Field(min_length=1, max_length=LONGEST["mark"])]
    """At most some ten words at the edge that moved."""
    lesson: Annotated[str, Field(min_length=1, max_length=LONGEST["lesson"])]
    why: Annotated[str, Field(min_length=1, max_length=LONGEST["why"])]


class Scene(Section):
    """One teaching picture: the view, and what is changed from the bay as it stands."""

    set: Name
    name: Name
    axle: Literal["near", "far"] = "near"
    """Whose range the view has: the tower's nearest or farthest axle."""
    times: Annotated[float, Field(gt=0.0, le=100.0)] = 1.0
    """Factor on that range."""
    turn: Tilt = written("30 deg")
    pitch: Tilt = written("0 deg")
    margin: Share | None = None
    """Room between plate and the picture's right edge, plate widths; negative beyond it."""
    light: Annotated[float, Field(ge=0.0, le=100.0)] = 1.0
    """Factor on the bay's light."""
    lit: bool = False
    """Whether light grows and falls with the turn as the bay's own lamps have it."""
    gradient: Share = 0.0
    """Relative change of light over one plate width, to the right."""
    spot: Spot | None = None
    shade: Shade | None = None
    blur: Pixels = written("0 px")
    """Gaussian blur on top of the lens's own."""
    motion: Pixels = written("0 px")
    """Movement during the exposure, to the right."""
    focus: Annotated[float, Quantity("length", "0.01 m", "1000 m")] | None = None
    """Where the lens is sharp; with `f_number`."""
    f_number: Annotated[float, Field(ge=0.7, le=64.0)] | None = None
    veil: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    """Stray light over the whole picture, full wells: a lens with grease on it."""
    covers: list[Cover] = Field(default_factory=list)
    twist: Annotated[float, Quantity("length", "-5 mm", "5 mm")] = written("0 mm")
    """How far two opposite corners of a bent plate stand out of it; the others go back."""
    other_id: bool = False
    """Whether the plate has another id than the wheel's."""
    astray: Literal["", "lean", "bump", "plate", "wheels"] = ""
    """What isn't where the bay's registration has it, about the vertical but for a lean: the
    tower, the plate in its holder, or two wheels' plates exchanged that differ by so much toe."""
    by: Small = written("0 deg")
    slip: Small | None = None
    """Registration only: how far a target of the bar has turned in its holder half way."""
    texts: Texts | None = None

    @model_validator(mode="after")
    def _focused(self) -> Self:
        if (self.focus is None) != (self.f_number is None):
            raise ValueError("focus and f_number belong together: name both")
        return self

    @property
    def key(self) -> str:
        """Such as ``"tilt.too-square"``: its place in a catalogue of captions."""
        return f"{self.set}.{self.name}"

    @property
    def content(self) -> dict[str, Any]:
        """What decides its pictures: all but its names and texts."""
        return self.model_dump(exclude={"set", "name", "texts"})


class _File(Section):
    scene: list[dict[str, Any]] = Field(min_length=1, max_length=200)


def read_scenes(path: Path) -> tuple[Scene, ...]:
    """Return the scenes of a file; those of a shipped set start from its own good view.

    Raises
    ------
    ConfigError
        It can't be read; a key is unknown or a value not allowed; two scenes have one name.
    """
    read = read_toml(path)
    if isinstance(read.get("scene"), dict):
        raise ConfigError(f"{path}: [scene]: write [[scene]], in two brackets, above each scene")
    content = validate(_File, read, path).scene
    shipped = path == asset("scenes.toml")
    first = {} if shipped else {one.set: raw for one, raw in reversed(_raw())}
    found: list[Scene] = []
    for number, raw in enumerate(content):
        inherited = first.setdefault(str(raw.get("set", "own")), raw)
        both = {k: v for k, v in inherited.items() if k != "texts"} | {"set": "own"} | raw
        try:
            scene = validate(Scene, both, path)
        except ConfigError as error:
            raise ConfigError(f"{error} (scene {number + 1})") from error
        if not shipped and scene.texts is None:
            raise ConfigError(f"{path}: scene {number + 1}: texts: is missing")
        others = (*found, *(() if shipped else SCENES))
        if (scene.set == SWEEP_SET and scene.name.split("-")[0] in SWEEP_FILES) or scene.key in {
            one.key for one in others
        }:
            raise ConfigError(f"{path}: scene {number + 1}: two scenes are called {scene.key}")
        good = None if shipped else good_of(scene, others)
        if good is not None and good.content == scene.content:
            raise ConfigError(
                f"{path}: scene {number + 1}: {scene.key} differs in nothing from {good.key}"
            )
        if good is not None and (good.slip is None) != (scene.slip is None):
            raise ConfigError(
                f"{path}: scene {number + 1}: slip: needs a set whose good view has it: slip"
            )
        found.append(scene)
    sets = Counter(one.set for one in found)
    for name in () if shipped else (x for x in sets if x not in SETS and sets[x] == 1):
        raise ConfigError(
            f"{path}: set {name} has one scene, its good view, and nothing to stand beside it; "
            f"sets with a good view of their own are {', '.join(SETS)}"
        )
    return tuple(found)


@lru_cache(maxsize=1)
def _raw() -> list[tuple[Scene, dict[str, Any]]]:
    path = asset("scenes.toml")
    return list(zip(SCENES, read_toml(path)["scene"], strict=True))


SCENES = read_scenes(asset("scenes.toml"))


def sweep() -> tuple[Scene, ...]:
    """Return the frames of the tilt sweep: the set's good view, turned."""
    good = next(one for one in SCENES if one.set == SWEEP_SET).model_dump(exclude_unset=True)
    return tuple(
        Scene.model_validate(
            {"set": SWEEP_SET, "name": f"{SWEEP_NAME}-{turn:02.0f}", "times": good["times"]}
            | {"lit": True, "turn": f"{turn:g} deg"}
        )
        for turn in SWEEP_TURNS_DEG
    )


def good_of(scene: Scene, scenes: tuple[Scene, ...] = SCENES) -> Scene | None:
    """Return the good view of a scene's set; None for itself, a sweep and one's own."""
    if scene.name.startswith(f"{SWEEP_NAME}-"):
        return None
    first = next((one for one in (*SCENES, *scenes) if one.set == scene.set), None)
    return None if first is None or first.key == scene.key else first


def differences(scene: Scene, scenes: tuple[Scene, ...] = SCENES) -> tuple[str, ...]:
    """Return the keys in which a scene differs from its good view, if they're more than one thing.

    One difference a slide teaches; keys that describe one thing together count as one.
    """
    good = good_of(scene, scenes)
    keys = [] if good is None else [k for k, v in scene.content.items() if v != good.content[k]]
    things = {next((both for both in _TOGETHER if k in both), (k,)) for k in keys}
    return tuple(keys) if len(things) > 1 else ()


def chosen(
    sets: list[str] | None, case: str | None, scenes: tuple[Scene, ...] = SCENES
) -> tuple[tuple[Scene, ...], bool]:
    """Return the scenes asked for, and whether the sweep is among them.

    Parameters
    ----------
    sets : list of str or None
        All when none is named.
    case : str or None
        One scene's name, or ``"sweep"``; needs exactly one set.
    scenes : tuple of Scene
        Among which.

    Raises
    ------
    ConfigError
        There is no such set or scene.
    """
    known = tuple(dict.fromkeys(scene.set for scene in scenes))
    for name in sets or ():
        if name not in known:
            raise ConfigError(f"--set: there is no '{name}'; there are {', '.join(known)}")
    found = tuple(scene for scene in scenes if not sets or scene.set in sets)
    if case is None:
        return found, SWEEP_SET in (sets or known)
    if not sets or len(set(sets)) != 1:
        raise ConfigError(f"--case: '{case}' needs the one --set that it belongs to")
    more = [SWEEP_NAME] if sets[0] == SWEEP_SET else []
    if case in more:
        return (), True
    one = tuple(scene for scene in found if scene.name == case)
    if not one:
        names = [*(scene.name for scene in found), *more]
        raise ConfigError(f"--case: set {sets[0]} has no '{case}'; it has {', '.join(names)}")
    return one, False
