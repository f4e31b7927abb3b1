"""One tower's view of one wheel's target: where in the picture, how large, how well measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.geometry.viewing import view_of_pose
from bench.scene.model import Bay, Tower, wheels_of_tower
from bench.scene.vehicle import Wheel
from bench.sighting.prediction import Prediction, Predictor, predictor_of
from bench.sighting.projections import Projections, corner_points, project_plates
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Sighting:
    """One wheel's target as one tower's camera has it.

    Attributes
    ----------
    tower : str
        Name.
    wheel : Wheel
        Whose target.
    T_camera_target : Pose
        Target to camera.
    imaged : bool
        Whether the plate has an image, in the picture or beyond its edge; where it hasn't, the
        numbers in pixels aren't real.
    range, turn, pitch, tilt : float
        See `bench.geometry.viewing`; metres and radians.
    outline_px : (4, 2) float64
        Corners of the plate, pixels.
    centre_px : (2,) float64
        The plate's own middle, where its diagonals cross, pixels.
    place : (float, float)
        The same in the frame, fractions across and down; 0 and 1 are its edges.
    size_px : float
        Width of the plate face-on at this range, pixels.
    margin_px : float
        Least room between the plate's outline and the picture's edge; negative beyond it.
    edge : str
        Which edge that is: left, right, upper or lower.
    visible : float
        Fraction of the plate that nothing hides; the picture's edge doesn't count. NaN where
        it wasn't asked for.
    prediction : Prediction
        How well its pose will be measured.
    """

    tower: str
    wheel: Wheel
    T_camera_target: Pose
    imaged: bool
    range: float
    turn: float
    pitch: float
    tilt: float
    outline_px: Array
    centre_px: Array
    place: tuple[float, float]
    size_px: float
    margin_px: float
    edge: str
    visible: float
    prediction: Prediction

    @property
    def margin(self) -> float:
        """The room to the picture's edge in widths of the plate, face-on at this range."""
        return self.margin_px / self.size_px

    @property
    def room(self) -> float:
        """The margin; minus infinity where the plate has no image."""
        return self.margin if self.imaged else -math.inf

    @property
    def name(self) -> str:
        """Such as ``"van rear left at floor"``."""
        return f"{self.wheel.vehicle} {self.wheel.name} at {self.wheel.station}"


EDGES = ("left", "right", "upper", "lower")


def sightings(
    bay: Bay, predictor: Predictor | None = None, visible: bool = True
) -> tuple[Sighting, ...]:
    """Return every tower's sighting of every target on its side.

    Parameters
    ----------
    bay : Bay
        As it stands.
    predictor : Predictor, optional
        What to predict from; `bench.sighting.prediction.predictor_of` the bay by default.
    visible : bool
        Whether to compute visible fractions, which takes longer than all else.
    """
    predictor = predictor or predictor_of(bay)
    return tuple(
        one
        for tower in bay.towers
        for one in sightings_of(bay, tower, wheels_of_tower(bay, tower), predictor, visible)
    )


def sightings_of(
    bay: Bay, tower: Tower, wheels: Sequence[Wheel], predictor: Predictor, visible: bool = True
) -> tuple[Sighting, ...]:
    """Return one tower's sightings of the targets of wheels; see `sightings`."""
    if not wheels:
        return ()
    targets = [wheel.T_bay_target for wheel in wheels]
    points = corner_points(bay.target)
    eye = tower.T_bay_camera
    projections = project_plates(
        tower.camera,
        (eye.rotation[None], eye.translation[None]),
        (
            np.stack([T.rotation for T in targets])[None],
            np.stack([T.translation for T in targets])[None],
        ),
        bay.target.drawing.outline,
        points,
        predictor.causes(bay, tower.camera, points),
    )
    toe, camber, along, across, measured = predictor.arrays(projections)
    edges = projections.edges_px(tower.camera)[0]
    T_camera_bay = eye.inverse()
    found = []
    for i, (wheel, T_bay_target) in enumerate(zip(wheels, targets, strict=True)):
        T_camera_target = T_camera_bay @ T_bay_target
        prediction = Prediction(
            float(toe[0, i]),
            float(camber[0, i]),
            float(along[0, i]),
            float(across[0, i]),
            bool(measured[0, i]),
        )
        if not predictor.is_quick:
            at = float(projections.range[0, i]), float(projections.tilt[0, i])
            prediction = predictor.image(bay.target, tower, T_camera_target, *at)
            prediction = prediction.with_own(projections.own, i)
        found.append(
            _sighting(
                tower,
                wheel,
                T_camera_target,
                projections,
                i,
                edges[i],
                _visible(bay, tower, wheel) if visible else float("nan"),
                prediction,
            )
        )
    return tuple(found)


def _visible(bay: Bay, tower: Tower, wheel: Wheel) -> float:
    # its geometry library takes a while to load, which a quick sighting needn't spend
    from bench.sighting.visibility import visibility

    return visibility(bay, tower, wheel)


def _sighting(
    tower: Tower,
    wheel: Wheel,
    T_camera_target: Pose,
    projections: Projections,
    i: int,
    edges: Array,
    visible: float,
    prediction: Prediction,
) -> Sighting:
    view = view_of_pose(T_camera_target)
    camera = tower.camera
    outline = projections.outline_px[0, i]
    imaged = bool(projections.imaged[0, i])
    if imaged:
        centre = project(np.zeros((1, 3)), T_camera_target, camera)[0]
    else:
        centre = 0.5 * (outline.min(axis=0) + outline.max(axis=0))
    nearest = int(np.argmin(edges))
    return Sighting(
        tower=tower.name,
        wheel=wheel,
        T_camera_target=T_camera_target,
        imaged=imaged,
        range=view.range_m,
        turn=view.turn,
        pitch=view.pitch,
        tilt=float(projections.tilt[0, i]),
        outline_px=outline,
        centre_px=centre,
        place=(
            float((centre[0] + 0.5) / camera.width),
            float((centre[1] + 0.5) / camera.height),
        ),
        size_px=float(projections.width_px[0, i]),
        margin_px=float(edges[nearest]),
        edge=EDGES[nearest],
        visible=visible,
        prediction=prediction,
    )
