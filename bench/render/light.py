"""Surfaces of a bay: paints, and light from its lamps with their shadows.

Direct light falls from every lamp by the inverse square and the cosine, and not where a solid is
in between; what comes by way of walls and ceiling is one even share, a little more from above.
Lamps are patches of points, so that shadows have soft edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.scene.sight import are_free, pack
from bench.scene.solids import Solid
from bench.scene.surroundings import Lamp
from bench.typing import Array, BoolArray, IntArray

# Share of light that comes by way of walls and ceiling, where there are lamps.
EVEN = 0.6
ABOVE = 0.3  # how much less of it comes from below
# Points of a lamp, along and across the bay from its middle, metres.
LAMP_POINTS = tuple((x, y) for x in (-0.5, -0.3, -0.1, 0.1, 0.3, 0.5) for y in (-0.1, 0.1))
LIFT = 2e-3  # of points off their surface, so that it doesn't shade itself, metres
# Longest side of triangles, metres: light is computed at corners and interpolated.
FINENESS = {"floor": 0.12, "wall": 0.3}
OTHERWISE = 0.3
STEP, ROUNDS = 0.08, 2  # finer where it changes by more than that, so often
# Reflectances, red, green, blue; our own choice.
PAINTS: dict[str, tuple[float, float, float]] = {
    "floor": (0.32, 0.33, 0.34),
    "wall": (0.58, 0.58, 0.55),
    "column": (0.12, 0.26, 0.42),
    "camera": (0.05, 0.05, 0.06),
    "paint": (0.46, 0.50, 0.55),
    "roof": (0.46, 0.50, 0.55),
    "load": (0.46, 0.50, 0.55),
    "glass": (0.05, 0.07, 0.08),
    "tyre": (0.035, 0.035, 0.035),
    "rim": (0.45, 0.46, 0.47),
    "target": (0.6, 0.6, 0.6),
    "arm": (0.25, 0.26, 0.28),
    "box": (0.42, 0.30, 0.17),
    "post": (0.62, 0.42, 0.05),
    "mesh": (0.40, 0.40, 0.38),
    "lamp": (1.0, 1.0, 0.95),
}


@dataclass(frozen=True, eq=False)
class Lit:
    """Triangles with the light that leaves their corners.

    Attributes
    ----------
    triangles : (F, 3, 3) float64
        Bay frame, metres.
    colours : (F, 3, 3) float64
        Of the corners: reflectance times light, red, green, blue; 1 is a white target.
    solids : (F,) int64
        Which of the solids each is of.
    """

    triangles: Array
    colours: Array
    solids: IntArray

    def only(self, kept: BoolArray) -> Lit:
        """Return the triangles of some solids, true for those; others' shadows stay."""
        mine = kept[self.solids]
        return Lit(self.triangles[mine], self.colours[mine], self.solids[mine])


@dataclass(frozen=True, eq=False)
class Light:
    """The light in a bay.

    Attributes
    ----------
    lamps : tuple of Lamp
        None at all is even light from everywhere.
    solids : tuple of Solid
        What casts shadows.
    scale : float
        What the light is multiplied by.
    """

    lamps: tuple[Lamp, ...]
    solids: tuple[Solid, ...]
    scale: float = 1.0

    def at(self, points: Array, normals: Array) -> Array:
        """Return the light (N,) that falls on points (N, 3) of surfaces with normals (N, 3)."""
        even = 1.0 - ABOVE * 0.5 * (1.0 - normals[:, 2])
        if not self.lamps:
            return self.scale * even
        scenery = pack([solid for solid in self.solids if solid.kind != "lamp"])
        starts = points + LIFT * normals
        direct = np.zeros(len(points))
        for lamp in self.lamps:
            for along, across in LAMP_POINTS:
                source = np.array(lamp.position) + (along, across, -LIFT)
                way = source - starts
                distance = np.linalg.norm(way, axis=1)
                cosine = np.sum(way * normals, axis=1) / distance
                faces = np.flatnonzero(cosine > 0.0)
                ends = np.broadcast_to(source, (len(faces), 3))
                free = faces[are_free(starts[faces], ends, scenery)]
                direct[free] += lamp.level * cosine[free] / distance[free] ** 2
        return self.scale * ((1.0 - EVEN) * direct / self._under_lamps() + EVEN * even)

    def _under_lamps(self) -> float:
        """Return the mean direct light on the floor under the lamps, nothing in between."""
        places = np.array([lamp.position for lamp in self.lamps])
        points = places * (1.0, 1.0, 0.0)
        total = 0.0
        for lamp in self.lamps:
            for along, across in LAMP_POINTS:
                way = np.array(lamp.position) + (along, across, 0.0) - points
                height = np.maximum(way[:, 2], 0.1)
                total += lamp.level * float(np.mean(height / np.linalg.norm(way, axis=1) ** 3))
        return total or 1.0


def light_up(solids: Sequence[Solid], light: Light) -> Lit:
    """Return solids as fine triangles with the light that leaves them.

    Triangles across which light changes by more than `STEP` are cut into four, `ROUNDS` times:
    they lie on the edges of shadows.
    """
    if not solids:
        none = np.empty((0, 3, 3))
        return Lit(none, none, np.empty(0, dtype=np.int64))
    parts = [
        subdivide(solid.vertices[solid.triangles], FINENESS.get(solid.kind, OTHERWISE))
        for solid in solids
    ]
    corners = np.concatenate(parts)
    kinds = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normals, axis=1)
    kept = size > 1e-12
    corners, kinds, normals = corners[kept], kinds[kept], normals[kept] / size[kept, None]
    done: list[tuple[Array, Array, Array]] = []
    for turn in range(ROUNDS + 1):
        falling = _at_corners(light, corners, normals)
        rough = np.ptp(falling, axis=1) > STEP * light.scale
        if turn == ROUNDS:
            rough[:] = False
        done.append((corners[~rough], falling[~rough], kinds[~rough]))
        corners = _quarters(corners[rough])
        normals, kinds = np.repeat(normals[rough], 4, axis=0), np.repeat(kinds[rough], 4)
    corners, falling, kinds = (np.concatenate(columns) for columns in zip(*done, strict=True))
    falling[np.array([solid.kind == "lamp" for solid in solids])[kinds]] = 1.5
    paint = np.array([PAINTS[solid.kind] for solid in solids])[kinds]
    return Lit(corners, falling[:, :, None] * paint[:, None, :], kinds)


def _at_corners(light: Light, corners: Array, normals: Array) -> Array:
    """Return the light (F, 3) on triangles' corners; those that several share are lit once."""
    points, facing = corners.reshape(-1, 3), np.repeat(normals, 3, axis=0)
    _, first, back = np.unique(
        _hashed(np.hstack((points, facing))), return_index=True, return_inverse=True
    )
    order = np.argsort(first)  # neighbours in space one after another: they share shadows
    lit = np.empty(len(first))
    lit[order] = light.at(points[first[order]], facing[first[order]])
    return lit[back].reshape(-1, 3)


def _quarters(triangles: Array) -> Array:
    """Return each triangle (F, 3, 3) cut into four by the middles of its sides."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    ab, bc, ca = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
    cut = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
    return np.stack([np.stack(one, axis=1) for one in cut], axis=1).reshape(-1, 3, 3)


def _hashed(rows: Array) -> NDArray[np.uint64]:
    """Return a 64-bit number of each row (N, 6), rounded to 1e-6; sorts faster than rows."""
    whole = np.round(rows * 1e6).astype(np.int64).view(np.uint64)
    factors = np.random.default_rng(0).integers(1, 2**63, rows.shape[1], dtype=np.uint64) | 1
    return np.asarray((whole * factors).sum(axis=1, dtype=np.uint64))


def subdivide(triangles: Array, longest: float) -> Array:
    """Halve the longest side of triangles (F, 3, 3) until none is longer than that, metres."""
    done = []
    todo = triangles
    while len(todo):
        sides = np.linalg.norm(np.roll(todo, -1, axis=1) - todo, axis=2)
        widest = np.argmax(sides, axis=1)
        fine = sides.max(axis=1) <= longest
        done.append(todo[fine])
        rest, start = todo[~fine], widest[~fine]
        rows = np.arange(len(rest))
        a, b, c = (rest[rows, (start + k) % 3] for k in range(3))
        middle = 0.5 * (a + b)
        todo = np.concatenate((np.stack((a, middle, c), axis=1), np.stack((middle, b, c), axis=1)))
    return np.concatenate(done)
