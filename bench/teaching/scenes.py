"""The scenes of the teaching pictures: what each set varies, as one table.

Lengths on the target are in widths of its plate and ranges in those of the bay's own axles, so
that the same table serves any bay and target.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bench.errors import ConfigError

# Which schematic says where things are.
Diagram = Literal["above", "side", "bar", "tower"]


@dataclass(frozen=True)
class Spot:
    """A highlight on the target's face: place and spread in plate widths, peak in full wells.

    Attributes
    ----------
    on_corner : bool
        Whether the place is counted from the pattern's upper right corner, else from its middle.
    """

    x: float
    y: float
    sigma: float
    level: float
    on_corner: bool = False


@dataclass(frozen=True)
class Cover:
    """Something opaque on or before the face: an ellipse in plate widths, or a rectangle.

    Attributes
    ----------
    x, y : float
        Middle.
    width, height : float
        Full size.
    reflectance : float
        Of its surface.
    round_ : bool
        An ellipse, else a rectangle.
    on_corner : bool
        Whether the middle is counted from the pattern's upper right corner.
    """

    x: float
    y: float
    width: float
    height: float
    reflectance: float
    round_: bool = True
    on_corner: bool = False


@dataclass(frozen=True)
class Scene:
    """One teaching picture: the view, and what is changed from the bay as it stands.

    Attributes
    ----------
    set, name : str
        Which set, and the scene's own name in it.
    axle : {"near", "far"}
        Whose range the view has: the nearest or the farthest axle of the tower.
    times : float
        Factor on that range.
    turn_deg, pitch_deg : float
        How the target is turned.
    margin : float or None
        Room between plate and the picture's right edge, plate widths; negative beyond it. None
        is the picture's middle.
    corner : bool
        Whether the plate keeps that room from the lower edge too.
    light : float
        Factor on the bay's light.
    gradient : float or None
        Relative change of light over one plate width, to the right.
    spot : Spot or None
        A highlight.
    blur_px : float or None
        Gaussian blur on top of the lens's own.
    motion_px : float
        Movement during the exposure, to the right.
    covers : tuple of Cover
        Dirt, or what stands before the target.
    slip_deg : float or None
        Registration only: how far a target of the bar has turned in its holder half way.
    lean_deg : float or None
        Tower only: how far it leans sideways from where it was registered.
    diagram : Diagram
        The schematic.
    """

    set: str
    name: str
    axle: Literal["near", "far"] = "near"
    times: float = 1.0
    turn_deg: float = 30.0
    pitch_deg: float = 0.0
    margin: float | None = None
    corner: bool = False
    light: float = 1.0
    gradient: float | None = None
    spot: Spot | None = None
    blur_px: float | None = None
    motion_px: float = 0.0
    covers: tuple[Cover, ...] = ()
    slip_deg: float | None = None
    lean_deg: float | None = None
    diagram: Diagram = "above"

    @property
    def key(self) -> str:
        """Such as ``"tilt.face-on"``: its place in a catalogue of captions."""
        return f"{self.set}.{self.name}"


MUD, POST = 0.25, 0.12  # reflectances: dried mud, dark paint

SCENES: tuple[Scene, ...] = (
    Scene("tilt", "face-on", times=1.5, turn_deg=0.0),
    Scene("tilt", "gentle", times=1.5, turn_deg=15.0),
    Scene("tilt", "good", times=1.5, turn_deg=40.0),
    Scene("tilt", "pitched", times=1.5, turn_deg=0.0, pitch_deg=-40.0, diagram="side"),
    Scene("tilt", "steep", times=1.5, turn_deg=70.0),
    Scene("tilt", "edge-on", times=1.5, turn_deg=87.0),
    Scene("range", "near"),
    Scene("range", "far", axle="far"),
    Scene("range", "double", axle="far", times=2.0),
    Scene("range", "too-far", axle="far", times=6.0),
    Scene("aim", "middle"),
    Scene("aim", "corner", margin=0.5, corner=True),
    Scene("aim", "at-the-edge", margin=0.02),
    Scene("aim", "cut-off", margin=-0.2),
    Scene("light", "good", times=1.2),
    Scene("light", "dim", times=1.2, light=0.08),
    Scene("light", "bright", times=1.2, light=2.2),
    Scene("light", "uneven", times=1.2, gradient=1.2),
    Scene("light", "glare", times=1.2, spot=Spot(0.12, 0.1, 0.22, 1.5)),
    Scene("light", "glare-on-edge", times=1.2, spot=Spot(0.035, 0.035, 0.06, 0.7, on_corner=True)),
    Scene("blur", "sharp"),
    Scene("blur", "soft", blur_px=3.0),
    Scene("blur", "out-of-focus", blur_px=9.0),
    Scene("blur", "moving", motion_px=18.0),
    Scene("dirt", "clean"),
    Scene("dirt", "splash", covers=(Cover(0.05, -0.12, 0.1, 0.08, MUD),)),
    Scene("dirt", "on-corner", covers=(Cover(0.0, 0.0, 0.11, 0.11, MUD, on_corner=True),)),
    Scene("dirt", "grip", covers=(Cover(0.46, 0.0, 0.22, 0.3, POST, round_=False),)),
    Scene("dirt", "half-hidden", covers=(Cover(-0.5, 0.0, 0.6, 1.4, POST, round_=False),)),
    Scene("mirror", "near-turned", turn_deg=35.0),
    Scene("mirror", "far-turned", axle="far", times=2.0, turn_deg=35.0),
    Scene("mirror", "far-shallow", axle="far", times=2.0, turn_deg=8.0),
    Scene("slip", "held", slip_deg=0.0, diagram="bar"),
    Scene("slip", "small", slip_deg=0.2, diagram="bar"),
    Scene("slip", "large", slip_deg=2.0, diagram="bar"),
    Scene("plumb", "plumb", lean_deg=0.0, diagram="tower"),
    Scene("plumb", "a-hair", lean_deg=0.05, diagram="tower"),
    Scene("plumb", "leaning", lean_deg=0.5, diagram="tower"),
)
SETS = tuple(dict.fromkeys(scene.set for scene in SCENES))
# What each set's other scenes are compared with.
REFERENCES = {
    "tilt": "good",
    "range": "near",
    "aim": "middle",
    "light": "good",
    "blur": "sharp",
    "dirt": "clean",
    "mirror": "near-turned",
    "slip": "held",
    "plumb": "plumb",
}
# A view that somebody else set up, such as in the live bench.
OWN_SET, OWN_NAME = "view", "own"
# Of the moving picture: one scene for each turn.
SWEEP_SET, SWEEP_NAME = "tilt", "sweep"
SWEEP_TURNS_DEG = (*(float(turn) for turn in range(0, 86, 5)), 88.0)


def sweep() -> tuple[Scene, ...]:
    """Return the frames of the tilt sweep."""
    return tuple(
        Scene(SWEEP_SET, f"{SWEEP_NAME}-{turn:02.0f}", times=1.5, turn_deg=turn)
        for turn in SWEEP_TURNS_DEG
    )


def reference_of(scene: Scene) -> Scene | None:
    """Return what a scene is compared with; None for a reference, and for views of one's own."""
    name = REFERENCES.get(scene.set)
    if name is None or name == scene.name:
        return None
    return next(other for other in SCENES if other.key == f"{scene.set}.{name}")


def chosen(sets: list[str] | None, case: str | None) -> tuple[tuple[Scene, ...], bool]:
    """Return the scenes asked for, and whether the sweep is among them.

    Parameters
    ----------
    sets : list of str or None
        All when none is named.
    case : str or None
        One scene's name, or ``"sweep"``; needs exactly one set.

    Raises
    ------
    ConfigError
        There is no such set or scene.
    """
    for name in sets or ():
        if name not in SETS:
            raise ConfigError(f"--set: there is no '{name}'; there are {', '.join(SETS)}")
    found = tuple(scene for scene in SCENES if not sets or scene.set in sets)
    if case is None:
        return found, not sets or SWEEP_SET in sets
    if not sets or len(set(sets)) != 1:
        raise ConfigError(f"--case: '{case}' needs the one --set that it belongs to")
    if sets[0] == SWEEP_SET and case == SWEEP_NAME:
        return (), True
    found = tuple(scene for scene in found if scene.name == case)
    if not found:
        names = [scene.name for scene in SCENES if scene.set == sets[0]]
        names += [SWEEP_NAME] if sets[0] == SWEEP_SET else []
        raise ConfigError(f"--case: set {sets[0]} has no '{case}'; it has {', '.join(names)}")
    return found, False
