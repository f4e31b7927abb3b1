"""The file of one bay: what was measured of its camera, print and plate, in place of draws."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from bench.built.draws import OneBay, Sizes, draw_bay
from bench.scene.fields import Name, given
from bench.scene.quantities import Quantity
from bench.strict import Section, read_toml, validate
from bench.typing import Array

Relative = Annotated[float, Field(ge=-0.1, le=0.1, examples=[1.2e-4])] | None
Height = Annotated[float, Quantity("length", "-5 mm", "5 mm")] | None


class PrintSection(Section):
    """The print, as measured."""

    scale: Relative = None
    """Of its size from the drawing's, a fraction."""
    aspect: Relative = None
    """Of its height over its width."""


class PlateSection(Section):
    """The plate, as measured: how far its corners stand out of the face."""

    bow_across: Height = None
    """Of the upright edges."""
    bow_up: Height = None
    """Of the level edges."""
    twist: Height = None
    """Of the corners top right and bottom left; the others go back as far."""


class OneBaySection(Section):
    """One bay, as far as it was measured; what is left out is drawn once, by the bay's name."""

    name: Name
    """What the rest is drawn by."""
    calibration: str | None = None
    """A file of 'sightbench intrinsics', beside this one: the camera that pipelines know, and
    what isn't known of it, in place of the [budget]'s sizes."""
    print: PrintSection | None = None
    """The print."""
    plate: PlateSection | None = None
    """The plate."""
    ink_spread: Annotated[float, Quantity("length", "-1 mm", "1 mm")] | None = None
    """How far ink has run over every edge, outward from the dark side."""
    blur: Annotated[float, Field(ge=0.2, le=5.0)] | None = None
    """Of the lens, over the bay file's."""
    blur_corner: Annotated[float, Quantity("pixels", "0 px", "5 px")] | None = None
    """Beside it at the picture's corner; squares add."""

    def bay(self, sizes: Sizes, seed: int) -> OneBay:
        """Return the bay: what the file gives, the rest drawn."""
        drawn = draw_bay(sizes, seed, self.name)
        measured: dict[str, Any] = {} if self.print is None else given(self.print)
        if self.plate is not None:
            heights = (self.plate.bow_across, self.plate.bow_up, self.plate.twist)
            measured["plate"] = np.array(
                [a if b is None else b for a, b in zip(drawn.plate, heights, strict=True)]
            )
        if self.ink_spread is not None:
            measured["ink"] = self.ink_spread
        own = {name: getattr(self, name) for name in ("blur", "blur_corner")}
        measured |= {name: value for name, value in own.items() if value is not None}
        return dataclasses.replace(drawn, **measured)


def read_one_bay(path: Path) -> OneBaySection:
    """Return a bay's file.

    Raises
    ------
    ConfigError
        It can't be read, or has an unknown key or a value outside its limits.
    """
    return validate(OneBaySection, read_toml(path), path)


def one_bay_text(bay: OneBay) -> str:
    """Return a bay as canonical JSON, as a plan keeps it."""
    return json.dumps(dataclasses.asdict(bay), sort_keys=True, default=_listed)


def one_bay_from(text: str) -> OneBay:
    """Return the bay of `one_bay_text`."""
    values = json.loads(text)
    arrays = {name: np.array(values[name], dtype=np.float64) for name in ("camera", "plate")}
    return OneBay(**(values | arrays))


def _listed(array: Array) -> list[float]:
    return [float(value) for value in array]
