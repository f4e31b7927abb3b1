"""A target of another size: the same drawing, larger or smaller."""

from __future__ import annotations

import math
from dataclasses import replace

from bench.targets.drawing import Area, Disc, Drawing
from bench.targets.target import Target


def scaled(target: Target, factor: float) -> Target:
    """Return a target with all its lengths times `factor`; itself where that is 1."""
    if math.isclose(factor, 1.0, rel_tol=1e-9):  # as near as a permalink's digits are
        return target
    drawing = target.drawing
    shapes = tuple(_scaled_shape(shape, factor) for shape in drawing.shapes)
    return replace(
        target,
        name=f"{target.name} × {factor:.3g}",
        drawing=Drawing(
            factor * drawing.width, factor * drawing.height, drawing.background, shapes
        ),
        markers={name: factor * corners for name, corners in target.markers.items()},
        points=factor * target.points,
        pitch=factor * target.pitch,
        marker_size=factor * target.marker_size,
        reach=factor * target.reach,
    )


def _scaled_shape(shape: Area | Disc, factor: float) -> Area | Disc:
    if isinstance(shape, Area):
        return replace(shape, rings=tuple(factor * ring for ring in shape.rings))
    return replace(shape, x=factor * shape.x, y=factor * shape.y, radius=factor * shape.radius)
