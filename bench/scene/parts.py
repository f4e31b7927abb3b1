"""Digests of a bay and of its parts, as envelopes of results keep them."""

from __future__ import annotations

from bench.digest import content_digest
from bench.envelope import BayMark
from bench.scene.model import Bay


def bay_mark(bay: Bay) -> BayMark:
    """Return what names a bay in an envelope."""
    return BayMark(name=bay.name, file=bay.path.name, digest=bay.digest)


def bay_parts(bay: Bay) -> dict[str, str]:
    """Return digests of what measurements depend on: cameras, imaging, target and bar."""
    parts = {"target": content_digest(bay.target), "bar": content_digest(bay.bar)}
    for tower in bay.towers:
        parts |= tower_parts(
            tower.name, content_digest(tower.camera), content_digest(tower.imaging)
        )
    return parts


def tower_parts(tower: str, camera: str, imaging: str) -> dict[str, str]:
    """Return the digests of a tower's camera and imaging under their names."""
    return {f"{tower} camera": camera, f"{tower} imaging": imaging}
