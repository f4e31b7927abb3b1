"""Rigid transforms with the names that cancel: ``p_a = T_a_b @ p_b``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import overload

import numpy as np

from bench.errors import GeometryError
from bench.geometry.rotation import check_rotation, exp_rotvec, log_rotation
from bench.typing import Array


@dataclass(frozen=True, eq=False)
class Pose:
    """A rigid transform ``T_a_b``: takes coordinates in frame b to coordinates in frame a.

    Attributes
    ----------
    rotation : (3, 3) float64
        ``R_a_b``; its columns are b's axes in a.
    translation : (3,) float64
        b's origin in a, metres.

    Raises
    ------
    GeometryError
        The rotation isn't one, or a number isn't finite.
    """

    rotation: Array
    translation: Array

    def __post_init__(self) -> None:
        rotation = check_rotation(self.rotation)
        translation = np.array(self.translation, dtype=np.float64).reshape(-1)
        if translation.shape != (3,) or not math.isfinite(sum(translation.tolist())):
            raise GeometryError("a translation is three finite numbers")
        rotation.setflags(write=False)
        translation.setflags(write=False)
        object.__setattr__(self, "rotation", rotation)
        object.__setattr__(self, "translation", translation)

    @classmethod
    def identity(cls) -> Pose:
        """Return the transform that changes nothing."""
        return cls(np.eye(3), np.zeros(3))

    @classmethod
    def from_rotvec(cls, rotvec: Array, translation: Array) -> Pose:
        """Return the pose with rotation vector (3,), radians, and translation (3,), metres."""
        return cls(exp_rotvec(np.asarray(rotvec, dtype=np.float64).reshape(3)), translation)

    @classmethod
    def from_matrix(cls, matrix: Array) -> Pose:
        """Return the pose of a homogeneous matrix (4, 4)."""
        matrix = np.asarray(matrix, dtype=np.float64)
        return cls(matrix[:3, :3], matrix[:3, 3])

    @property
    def rotvec(self) -> Array:
        """Rotation vector (3,), radians."""
        return log_rotation(self.rotation)

    @property
    def matrix(self) -> Array:
        """Homogeneous matrix (4, 4)."""
        matrix = np.eye(4)
        matrix[:3, :3] = self.rotation
        matrix[:3, 3] = self.translation
        return matrix

    def inverse(self) -> Pose:
        """Return ``T_b_a``."""
        return Pose(self.rotation.T, -self.rotation.T @ self.translation)

    @overload
    def __matmul__(self, other: Pose) -> Pose: ...
    @overload
    def __matmul__(self, other: Array) -> Array: ...
    def __matmul__(self, other: Pose | Array) -> Pose | Array:
        """Chain transforms (``T_a_b @ T_b_c``) or take points (..., 3) from b to a."""
        if isinstance(other, Pose):
            return Pose(
                self.rotation @ other.rotation,
                self.rotation @ other.translation + self.translation,
            )
        return np.asarray(other, dtype=np.float64) @ self.rotation.T + self.translation
