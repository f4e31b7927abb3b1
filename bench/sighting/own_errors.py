"""Share of a bay's own imperfections in predicted uncertainties, for many layouts at once.

The causes and sizes are `bench.built`'s. What a tower's camera turns all of its targets by is
left out: registration makes it the tower's own rotation, wherever targets stand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.built.response import EVEN, ink_moves
from bench.geometry.camera import Camera, lens_shift
from bench.scene.model import Bay
from bench.solve.response import PLATE, PRINT, face_moves
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class OwnCauses:
    """What moves the points of every picture of a camera, by one standard deviation each.

    Attributes
    ----------
    modes : (P, K) float64
        Changes of the camera's intrinsics.
    moves : (M, 3, 6) float64
        Of the points on the face by print, plate and ink, metres.
    """

    modes: Array
    moves: Array

    def shift(self, p_camera: Array, by_face: Array, camera: Camera) -> Array:
        """Return the picture's change (..., M, 2, K + 6), pixels, by each cause.

        Parameters
        ----------
        p_camera : (..., M, 3) float64
            The points, metres.
        by_face : (..., M, 2, 3) float64
            Their pixels' derivatives by their place on the face, which points out of it.
        camera : Camera
            Intrinsics.
        """
        by_camera = lens_shift(p_camera.reshape(-1, 3), camera, self.modes)
        shape = (*p_camera.shape[:-1], 2, self.modes.shape[1])
        return np.concatenate((by_camera.reshape(shape), by_face @ self.moves), axis=-1)


def own_causes(bay: Bay, camera: Camera, points: Array, scale: float = 1.0) -> OwnCauses:
    """Return the causes of a bay's sizes.

    Parameters
    ----------
    bay : Bay
        Whose [budget] and [imperfections] give them, and whose target carries the points.
    camera : Camera
        That sees them.
    points : (M, 2) float64
        On the face, metres, of a target so many times as large as the bay's.
    scale : float
        That many.
    """
    terms, target = bay.budget, bay.target
    width, height = scale * target.drawing.width, scale * target.drawing.height
    flat = np.column_stack((points, np.zeros(len(points))))
    sizes = (terms.print_scale, terms.print_aspect, *[EVEN * terms.flatness] * len(PLATE))
    assert len(sizes) == len(PRINT) + len(PLATE)
    face = face_moves(flat, width, height) * np.array(sizes)
    ink = EVEN * bay.imperfections.ink_spread * ink_moves(target)
    return OwnCauses(terms.camera_modes(camera), np.concatenate((face, ink[..., None]), axis=-1))


def own_uncertainties(
    answer: Array, kinds: int, R_bay_target: Array, sight: Array | None
) -> tuple[Array, Array, Array, Array]:
    """Return toe, camber, along and across (L, N), radians and metres, that causes add.

    Parameters
    ----------
    answer : (L, N, 6, C) float64
        Change of (ω, τ) by one standard deviation of each cause.
    kinds : int
        How many of them, the first ones, are the camera's.
    R_bay_target : (L, N, 3, 3) float64
        Of the N targets that a tower's camera sees from L places.
    sight : (L, N, 3) float64 or None
        Unit vectors from camera to target, camera frame; None leaves along and across NaN.
    """
    turns = R_bay_target @ answer[..., :3, :]
    turns[..., :kinds] -= turns[..., :kinds].mean(axis=-3, keepdims=True)
    toe, camber = (np.linalg.norm(turns[..., i, :], axis=-1) for i in (2, 0))
    if sight is None:
        none = np.full(toe.shape, np.nan)
        return toe, camber, none, none
    places = answer[..., 3:, :]
    along = (sight[..., None, :] @ places)[..., 0, :]
    aside = places - sight[..., :, None] * along[..., None, :]
    across = np.linalg.eigvalsh(aside @ np.swapaxes(aside, -1, -2))[..., -1]
    return toe, camber, np.linalg.norm(along, axis=-1), np.sqrt(np.maximum(across, 0.0))
