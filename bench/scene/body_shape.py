"""The shape of a vehicle's body, lofted from a few measures: closed meshes with wheel arches.

Frame: x forward from the near axle's middle, y to the left, z up from what the tyres stand on.
What matters for sight lines are the flanks, ends, roof and underside, which the bay file gives;
bonnet, windows and tail are drawn by rule from the height, and only make pictures readable.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bench.scene.vehicle import Vehicle
from bench.typing import Array

Indices = NDArray[np.intp]
Mesh = tuple[Array, Indices]
TALL = 1.7  # from this height on a body is drawn as a van, metres
ARCH_GAP = 0.06  # of the arch around the tyre, metres
ARCH_STEPS = 12
ROOF = 0.04  # thickness of the painted roof over the windows, metres
FLAT = 0.97  # of the height: what is above is roof


def loft(rings: Array) -> Mesh:
    """Skin rings (M, N, 3) of points into a closed mesh; ends are closed by fans.

    Rings run anticlockwise as seen from where the last one is; the end rings are star-shaped
    about their mean.
    """
    count, size, _ = rings.shape
    vertices = np.vstack((rings.reshape(-1, 3), rings[0].mean(axis=0), rings[-1].mean(axis=0)))
    here = np.arange(size)
    after = np.roll(here, -1)
    faces = []
    for i in range(count - 1):
        a, b = i * size + here, i * size + after
        c, d = b + size, a + size
        faces += [np.column_stack((a, b, c)), np.column_stack((a, c, d))]
    first, last = count * size, count * size + 1
    end = (count - 1) * size
    faces += [
        np.column_stack((after, here, np.full(size, first))),
        np.column_stack((end + here, end + after, np.full(size, last))),
    ]
    return vertices, np.vstack(faces).astype(np.intp)


def body_meshes(vehicle: Vehicle) -> dict[str, Mesh]:
    """Return a body's closed meshes by what they are made of: paint, glass and roof.

    Together they fill the body's block but for the wheel arches, the corners above the bonnet
    and at the tail, and the lean of the windows.
    """
    body = vehicle.body
    length = vehicle.wheelbase + body.front_overhang + body.rear_overhang
    nose_first = vehicle.axles[0].name != "rear"
    overhang = body.front_overhang if nose_first else body.rear_overhang
    tall = body.height >= TALL
    outline = _outline(length, body.height, overhang, vehicle.wheelbase, tall)
    outline[:, 1] = np.maximum(outline[:, 1], np.minimum(_least_top(vehicle), body.height))
    cowl = outline[2, 0]
    along = _stations(vehicle, outline, length, overhang)
    top = np.interp(along, outline[:, 0], outline[:, 1])
    belt = (0.56 if tall else 0.6) * body.height
    belt = max(belt, min(_least_top(vehicle), body.height - 2.0 * ROOF))
    sill = body.ground_clearance + np.interp(
        along, [0.0, 0.3, length - 0.3, length], [0.08, 0.0, 0.0, 0.08]
    )
    forward = overhang - along if nose_first else along - overhang - vehicle.wheelbase
    arch = np.maximum(_arches(vehicle, forward, along), sill)
    split = np.minimum(top, belt)
    sill, arch = np.minimum(sill, split - 0.01), np.minimum(arch, split - 0.01)
    half = 0.5 * body.width
    inner = min(_inside(vehicle), 0.98 * half)
    meshes = {"paint": _loft(forward, [(half, arch), (half, split)], inner, sill)}
    lean = 0.95 if tall else 0.8
    over = top > belt + ROOF
    if np.count_nonzero(over) > 1:
        first, last = np.flatnonzero(over)[[0, -1]]
        cabin = slice(max(int(first) - 1, 0), min(int(last) + 2, len(along)))
        x, low, high = forward[cabin], split[cabin], top[cabin]
        narrow = half - (1.0 - lean) * half * (high - low) / (body.height - belt)
        roofed = high >= FLAT * body.height  # the rest of the line is screen or tail
        under = np.where(roofed, np.maximum(high - ROOF, low), high)
        if tall:  # windows before, a load space behind
            glazed = along[cabin] <= cowl + 0.30 * body.height + 0.7
            glazed[:2] = True
            cut = int(np.count_nonzero(glazed))
            if cut < len(x) - 1:
                rest = slice(cut - 1, None)
                meshes["load"] = _loft(x[rest], [(half, low[rest]), (narrow[rest], under[rest])])
            front = slice(0, cut)
            meshes["glass"] = _loft(x[front], [(half, low[front]), (narrow[front], under[front])])
        else:
            meshes["glass"] = _loft(x, [(half, low), (narrow, under)])
        if np.count_nonzero(roofed) > 1:
            meshes["roof"] = _loft(
                x[roofed], [(narrow[roofed], under[roofed]), (narrow[roofed], high[roofed])]
            )
    return meshes


def _outline(length: float, height: float, overhang: float, wheelbase: float, tall: bool) -> Array:
    """Return the roof line (6, 2): distance from the nose, and height."""
    if tall:
        cowl = min(0.75 * overhang, 0.3 * length)
        marks = [
            (0.0, 0.40), (0.02 * length, 0.44), (cowl, 0.54), (cowl + 0.30 * height, 0.97),
            (cowl + 0.30 * height + 0.3, 1.0), (length, 1.0),
        ]  # fmt: skip
    else:
        cowl = min(overhang + 0.22 * wheelbase, 0.4 * length)
        marks = [
            (0.0, 0.44), (0.03 * length, 0.50), (cowl, 0.64), (cowl + 0.45 * height, 0.98),
            (0.80 * length, 1.0), (length - 0.02, 0.64),
        ]  # fmt: skip
    line = np.array(marks)
    line[:, 0] = np.minimum(np.maximum.accumulate(line[:, 0]), length)
    line[:, 1] *= height
    return line


def _stations(vehicle: Vehicle, outline: Array, length: float, overhang: float) -> Array:
    """Return where rings are, from the nose; twice where an arch begins and ends."""
    marks = [0.0, 0.3, length - 0.3, length, *outline[:, 0]]
    for axle in vehicle.axles:
        middle = overhang + axle.behind
        if vehicle.axles[0].name == "rear":
            middle = overhang + vehicle.wheelbase - axle.behind
        radius = axle.tyre_radius + ARCH_GAP
        marks += list(middle - radius * np.cos(np.linspace(0.0, np.pi, ARCH_STEPS + 1)))
        marks += [middle - radius - 1e-6, middle + radius + 1e-6]
    return np.unique(np.clip(marks, 0.0, length))


def _arches(vehicle: Vehicle, forward: Array, along: Array) -> Array:
    """Return the height that arches leave free at places, 0 between them."""
    free = np.zeros(len(along))
    for axle in vehicle.axles:
        radius = axle.tyre_radius + ARCH_GAP
        from_axle = forward + axle.behind
        rise = np.sqrt(np.maximum(radius**2 - from_axle**2, 0.0))
        within = np.abs(from_axle) <= radius + 1e-9
        free = np.maximum(free, np.where(within, axle.wheel_height + rise, 0.0))
    return free


def _least_top(vehicle: Vehicle) -> float:
    """Return the height that wings need over the arches."""
    return max(a.wheel_height + a.tyre_radius for a in vehicle.axles) + ARCH_GAP + 0.08


def _inside(vehicle: Vehicle) -> float:
    """Return the half width that fits between all tyres."""
    return max(min(0.5 * (a.track - a.tyre_width) for a in vehicle.axles) - 0.03, 0.05)


def _loft(
    x: Array,
    levels: list[tuple[float | Array, Array]],
    inner: float | None = None,
    sill: Array | None = None,
) -> Mesh:
    """Loft sections of half widths and heights, from below; with `inner`, a keel down to sill."""
    ones = np.ones(len(x))
    right = [(-half * ones, z) for half, z in levels]  # going up on the right
    left = [(half * ones, z) for half, z in reversed(levels)]
    keel: list[tuple[Array, Array]] = []
    if inner is not None and sill is not None:
        low = levels[0][1]
        keel = [(inner * ones, low), (inner * ones, sill), (-inner * ones, sill),
                (-inner * ones, low)]  # fmt: skip
    ring = [np.column_stack((x, y, z)) for y, z in (*right, *left, *keel)]
    rings = np.stack(ring, axis=1)
    # seen from behind, right to top to left is anticlockwise; so rings go from front to back
    return loft(rings if x[0] > x[-1] else rings[::-1])
