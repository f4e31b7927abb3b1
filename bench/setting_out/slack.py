"""The slack that towers off their plan leave to every limit, for many at once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.geometry.pose import Pose
from bench.geometry.rotation import rotation_z
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.setting_out.placements import leaning
from bench.sighting.prediction import COVERAGE, Predictor
from bench.sighting.projections import Projections, corner_points, project_plates
from bench.sighting.sighting import sightings_of
from bench.siting.constraints import MOST_DEFOCUS_PX, SCALES, defocus_px
from bench.siting.floor_space import floor_space
from bench.typing import Array

# Slack of the uncertainty: what is left of the tolerance, in tenths of it.
UNCERTAINTY_SCALE = 0.1
UNCERTAINTY = "uncertainty"
# What a slack without an image counts as.
NO_IMAGE = -1e3
BEYOND = 0.6  # metres that a tower may move nearer or farther while predictions stay quick
TOWER_KNOBS = (
    "offset", "forward", "height", "yaw", "pitch", "roll", "lean_along", "lean_across",
)  # fmt: skip
COMMON_KNOBS = (
    "spacing", "standoff", "height", "yaw", "pitch", "roll", "square", "floor_along",
    "floor_across",
)  # fmt: skip
# Inputs that can't be had from the towers' own, for deviations that act together.
SHARED_KNOBS = ("standoff", "square", "floor_along", "floor_across")
LENGTHS = ("offset", "forward", "height", "spacing", "standoff")
ALL = "all towers"


@dataclass(frozen=True)
class Knob:
    """One thing that may be off its plan.

    Attributes
    ----------
    where : str
        A tower's name, or `ALL`: of every tower, or of the bay.
    name : str
        One of `TOWER_KNOBS` or `COMMON_KNOBS`. A tower's have the signs of its placement
        and of `bench.setting_out.placements.leaning`. All towers' spacing and yaw are positive
        outward and inward; ``square`` is the angle by which the tower line with its towers is
        turned against the centre line, its left end away from the vehicle.
    """

    where: str
    name: str

    @property
    def is_length(self) -> bool:
        """Whether it is in metres; else it is in radians."""
        return self.name in LENGTHS

    @property
    def unit(self) -> str:
        """In which people read it: ``"mm"`` or ``"deg"``."""
        return "mm" if self.is_length else "deg"

    def shown(self, value: float) -> float:
        """Return metres in mm, or radians in degrees."""
        return 1000.0 * value if self.is_length else math.degrees(value)

    @property
    def words(self) -> str:
        """What it is, for people."""
        shared = {
            "standoff": "the standoff",
            "square": "the tower line's squareness",
            "floor_along": "the floor's slope along the bay",
            "floor_across": "the floor's slope across the bay",
        }
        if self.name in shared:
            return shared[self.name]
        whose = "all towers'" if self.where == ALL else f"the {self.where} tower's"
        return f"{whose} {self.name.replace('_', ' ')}"


@dataclass(frozen=True, eq=False)
class Slack:
    """Slack left of every limit.

    Attributes
    ----------
    names : tuple of (str, str)
        Which limit, and of what.
    values : (L, K) float64
        In the scales of `bench.siting.constraints`; negative where broken.
    """

    names: tuple[tuple[str, str], ...]
    values: Array


def knobs_of(bay: Bay) -> tuple[Knob, ...]:
    """Return everything that may be off: of all towers together, then of each."""
    each = (Knob(tower.name, name) for tower in bay.towers for name in TOWER_KNOBS)
    return (*(Knob(ALL, name) for name in COMMON_KNOBS), *each)


def inputs_of(bay: Bay) -> tuple[Knob, ...]:
    """Return what varies independently when everything is off at once."""
    each = (Knob(tower.name, name) for tower in bay.towers for name in TOWER_KNOBS)
    return (*(Knob(ALL, name) for name in SHARED_KNOBS), *each)


def moved(bay: Bay, tower: Tower, off: Mapping[Knob, float]) -> Pose:
    """Return where a tower's camera gets to; the standoff isn't the tower's."""
    column, place = bay.surroundings.column, tower.placement
    side = math.copysign(1.0, place.offset)

    def own(name: str) -> float:
        return off.get(Knob(tower.name, name), 0.0)

    def common(name: str) -> float:
        return off.get(Knob(ALL, name), 0.0)

    place = replace(
        place,
        offset=place.offset + own("offset") + 0.5 * side * common("spacing"),
        forward=place.forward + own("forward"),
        height=place.height + own("height") + common("height"),
        yaw=place.yaw + own("yaw") + side * common("yaw"),
        pitch=place.pitch + own("pitch") + common("pitch"),
        roll=place.roll + own("roll") + common("roll"),
    )
    place = leaning(
        place,
        column,
        own("lean_along") + common("floor_along"),
        own("lean_across") + common("floor_across"),
    )
    pose = place.T_bay_camera()
    if common("square"):
        return Pose(rotation_z(-common("square")), np.zeros(3)) @ pose
    return pose


@dataclass(frozen=True, eq=False)
class Limits:
    """What the slack of a bay is computed from.

    Attributes
    ----------
    bay : Bay
        Whose towers are moved.
    predictors : mapping of str to Predictor
        By tower, each quick.
    exact : mapping of str to (N,) float64
        By tower: what a quick prediction for each wheel is multiplied by, so that it is exact
        for the towers as the bay has them.
    """

    bay: Bay
    predictors: Mapping[str, Predictor]
    exact: Mapping[str, Array]

    def slack(self, offs: Sequence[Mapping[Knob, float]]) -> Slack:
        """Return the slack that towers leave to every limit, for L sets of deviations.

        The limits are those of every target's place in the picture, tilt, focus and
        uncertainty, and of the floor space. What hides targets isn't looked at here, and what
        siting may choose from (such as its greatest height) is a choice, not a limit of a bay
        that stands.
        """
        further = np.array([off.get(Knob(ALL, "standoff"), 0.0) for off in offs])
        poses = {
            tower.name: [moved(self.bay, tower, off) for off in offs] for tower in self.bay.towers
        }
        return self.slack_at(poses, further)

    def slack_at(self, poses: Mapping[str, Sequence[Pose]], further: Array) -> Slack:
        """Return the same for L poses of every tower, and L additions to every standoff."""
        found = [self._tower(tower, poses[tower.name], further) for tower in self.bay.towers]
        names = tuple(name for some, _ in found for name in some)
        return Slack(names, np.concatenate([values for _, values in found], axis=1))

    def _tower(
        self, tower: Tower, poses: Sequence[Pose], further: Array
    ) -> tuple[list[tuple[str, str]], Array]:
        bay = self.bay
        translations = np.stack([pose.translation for pose in poses])
        floor = floor_space(
            bay, translations[:, 1], translations[:, 0], translations[:, 2], further
        )
        names = [(name, f"{tower.name} tower") for name in floor]
        values = [slack / SCALES["length"] for slack in floor.values()]
        wheels = wheels_of_tower(bay, tower)
        if wheels:
            projections = _projected(bay, tower, poses, further, self.predictors[tower.name])
            for name, slack in self._sighting_slack(tower, projections).items():
                names += [
                    (name, f"{tower.name} tower, {w.vehicle} {w.name} at {w.station}")
                    for w in wheels
                ]
                values += list(np.where(projections.imaged, slack, NO_IMAGE).T)
        return names, np.stack(values, axis=1)

    def _sighting_slack(self, tower: Tower, projections: Projections) -> dict[str, Array]:
        """Return the slack (L, N) of each limit of a sighting."""
        space = self.bay.siting
        share = _share(self.bay, self.predictors[tower.name], projections) * self.exact[tower.name]
        edges = np.min(projections.edges_px(tower.camera), axis=-1)
        found = {
            "margin": (edges / projections.width_px - space.margin) / SCALES["margin"],
            "least tilt": (projections.tilt - space.tilt[0]) / SCALES["least tilt"],
            "greatest tilt": (space.tilt[1] - projections.tilt) / SCALES["greatest tilt"],
            UNCERTAINTY: (1.0 - share) / UNCERTAINTY_SCALE,
        }
        optics = tower.imaging.optics
        if optics.focus_distance is not None:
            blur = defocus_px(tower.camera, optics, projections.depth)
            found["focus"] = (MOST_DEFOCUS_PX - blur) / SCALES["focus"]
        return found


def limits_of(bay: Bay, predictor: Predictor) -> Limits:
    """Return what the slack of a bay is computed from."""
    predictors, exact = {}, {}
    for tower in bay.towers:
        wheels = wheels_of_tower(bay, tower)
        if not wheels:
            continue
        seen = sightings_of(bay, tower, wheels, predictor, visible=False)
        ranges = [one.range for one in seen]
        quick = predictor.quick(
            bay.target, tower, (max(0.1, min(ranges) - BEYOND), max(ranges) + BEYOND)
        )
        projections = _projected(bay, tower, [tower.T_bay_camera], np.zeros(1), quick)
        true_share = np.array([one.prediction.share(bay.tolerance) for one in seen])
        predictors[tower.name] = quick
        exact[tower.name] = true_share / _share(bay, quick, projections)[0]
    return Limits(bay, predictors, exact)


def _share(bay: Bay, predictor: Predictor, projections: Projections) -> Array:
    """Return expanded uncertainty over tolerance (L, N), the larger of toe's and camber's."""
    toe, camber, *_ = predictor.arrays(projections)
    share: Array = COVERAGE * np.maximum(toe / bay.tolerance.toe, camber / bay.tolerance.camber)
    return share


def _projected(
    bay: Bay, tower: Tower, poses: Sequence[Pose], further: Array, predictor: Predictor
) -> Projections:
    points = corner_points(bay.target)
    targets = [wheel.T_bay_target for wheel in wheels_of_tower(bay, tower)]
    places = np.stack([T.translation for T in targets])[None]
    shift = np.stack((-further, np.zeros_like(further), np.zeros_like(further)), axis=-1)
    return project_plates(
        tower.camera,
        (
            np.stack([pose.rotation for pose in poses]),
            np.stack([pose.translation for pose in poses]),
        ),
        (np.stack([T.rotation for T in targets])[None], places + shift[:, None]),
        bay.target.drawing.outline,
        points,
        predictor.causes(bay, tower.camera, points),
        turns_only=True,
    )
