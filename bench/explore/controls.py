"""The controls of the live bench: names, units, limits; one table for the page and the parser."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

POSITIONS = 17  # of a control along a curve


@dataclass(frozen=True)
class Control:
    """One number that the page can change.

    Attributes
    ----------
    name : str
        As the permalink has it; the unit is part of it.
    label, unit : str
        As the page has them.
    group : str
        The fieldset that it stands in.
    low, high : float
        Limits, both allowed.
    step : float
        Of the slider.
    gap : float
        Values between 0 and this are refused; 0 where there is no gap.
    whole : bool
        Whether only whole numbers are allowed.
    note : str
        What the number means where the label doesn't say it all.
    slides : bool
        Whether there is a slider too.
    """

    name: str
    label: str
    unit: str
    group: str
    low: float
    high: float
    step: float
    gap: float = 0.0
    whole: bool = False
    note: str = ""
    slides: bool = True

    @property
    def limits(self) -> str:
        """What is allowed, in words."""
        unit = f" {self.unit}" if self.unit else ""
        span = f"from {self.low:.10g} to {self.high:.10g}{unit}"
        return f"0 or {span.replace(f'{self.low:.10g}', f'{self.gap:g}', 1)}" if self.gap else span

    def allows(self, value: float) -> bool:
        """Tell whether a value lies within the limits."""
        if self.gap and 0.0 < value < self.gap:
            return False
        return self.low <= value <= self.high

    @property
    def in_ratio(self) -> bool:
        """Whether equal ratios of the number matter alike, rather than equal differences."""
        return self.low > 0.0

    def about(self, value: float) -> list[float]:
        """Return allowed numbers, ascending, from far below a value to far above it."""
        if self.in_ratio:
            low, high = max(0.25 * value, self.low), min(4.0 * value, self.high)
            places = np.geomspace(low, high, POSITIONS)
        elif self.low < 0.0 or self.high <= 1.0:
            places = np.linspace(self.low, self.high, POSITIONS)
        else:  # from nothing up
            most = min(max(3.0 * value, 0.15 * self.high), self.high)
            places = np.linspace(0.0, most, POSITIONS)
        stepped = {float(f"{self.step * round(x / self.step):.10g}") for x in places}
        return sorted(x for x in stepped if self.allows(x))


FOCUS, REFLECTION, DIRT = "Aperture and motion", "Reflection of a lamp", "Dirt, as built alone"

# Limits of what the image model takes are in bench.imaging; these lie within them and keep one
# picture's time short.
CONTROLS = (
    Control("range_m", "Range", "m", "View", 0.1, 40.0, 0.05),
    Control(
        "turn_deg", "Turn", "deg", "View", -85.0, 85.0, 0.5,
        note="About the target's upright axis; 0 faces the camera.",
    ),
    Control(
        "pitch_deg", "Pitch", "deg", "View", -85.0, 85.0, 0.5,
        note="About the target's level axis, after the turn.",
    ),
    Control(
        "roll_deg", "Roll", "deg", "View", -180.0, 180.0, 1.0, note="About the line of sight."
    ),
    Control(
        "light", "Light", "", "Light and blur", 0.0, 3.0, 0.01,
        note="How far a perfectly white target fills a pixel; above 1 it saturates.",
    ),
    Control(
        "blur_px", "Blur", "px", "Light and blur", 0.0, 10.0, 0.05, gap=0.05,
        note="Standard deviation of the lens's Gaussian blur.",
    ),
    Control(
        "dark_noise_e", "Dark noise", "e-", "Noise", 0.0, 200.0, 0.5,
        note="Standard deviation without light.",
    ),
    Control(
        "full_well_e", "Full well", "e-", "Noise", 100.0, 100000.0, 100.0,
        note="Electrons that a pixel holds: fewer mean more shot noise.",
    ),
    Control(
        "seed", "Seed", "", "Noise", 0.0, 2147483647.0, 1.0, whole=True, slides=False,
        note="Another seed is another draw of noise and, as built, of bay, light and dirt.",
    ),
    Control(
        "plate_mm", "Plate width", "mm", "Target", 20.0, 1000.0, 5.0,
        note="The drawing grows with its plate.",
    ),
    Control(
        "across", "Across", "", "Place in the picture", 0.0, 1.0, 0.01,
        note="0 is the left edge, 1 the right.",
    ),
    Control(
        "down", "Down", "", "Place in the picture", 0.0, 1.0, 0.01,
        note="0 is the upper edge, 1 the lower.",
    ),
    Control(
        "f_number", "f-number", "", FOCUS, 0.0, 32.0, 0.1, gap=0.7,
        note="Adds diffraction and defocus; 0 leaves both out.",
    ),
    Control(
        "focus_m", "Focused at", "m", FOCUS, 0.0, 40.0, 0.05, gap=0.1,
        note="0 is at the target; needs an f-number.",
    ),
    Control(
        "motion_right_px", "Motion to the right", "px", FOCUS, -20.0, 20.0, 0.1,
        note="While the shutter is open.",
    ),
    Control("motion_down_px", "Motion downwards", "px", FOCUS, -20.0, 20.0, 0.1),
    Control(
        "brighter_right", "Brighter to the right", "%/m", "Slope of the light", -200.0, 200.0, 1.0
    ),
    Control(
        "brighter_down", "Brighter downwards", "%/m", "Slope of the light", -200.0, 200.0, 1.0
    ),
    Control(
        "reflection", "Brightness", "", REFLECTION, 0.0, 2.0, 0.01,
        note="Of its middle, a fraction of what saturates a pixel; 0 is none. Pipelines don't "
        "know of it; the bound does.",
    ),
    Control("reflection_right_mm", "To the right", "mm", REFLECTION, -500.0, 500.0, 1.0),
    Control(
        "reflection_up_mm", "Upwards", "mm", REFLECTION, -500.0, 500.0, 1.0,
        note="Both from the target's middle, on its face.",
    ),
    Control(
        "reflection_size_mm", "Size", "mm", REFLECTION, 1.0, 200.0, 1.0,
        note="Standard deviation of its round profile.",
    ),
    Control(
        "dirt", "Spots", "", DIRT, 0.0, 40.0, 0.1,
        note="So many on a plate in the mean; another seed puts them elsewhere.",
    ),
    Control(
        "dirt_depth", "Swallow at most", "%", DIRT, 0.0, 100.0, 1.0,
        note="Of the light in a spot's middle. The bound knows nothing of dirt.",
    ),
    Control(
        "roll_spread_deg", "Roll spread", "deg", "Run of pictures", 0.0, 180.0, 1.0,
        note="Half width of the roll's variation in a run of pictures, as a map has it; 0 is off. "
        "The picture shown has none.",
    ),
)  # fmt: skip
CONTROL = {control.name: control for control in CONTROLS}
GROUPS = tuple(dict.fromkeys(control.group for control in CONTROLS))
SELDOM = GROUPS[GROUPS.index("Place in the picture") :]  # these stand folded away
# What a picture may depend on; the seed alone is none to draw a curve over.
TRACED = tuple(c for c in CONTROLS if c.slides and c.name != "roll_spread_deg")
# What is chosen from lists that depend on the bay.
CHOICES = {
    "tower": "Tower",
    "target": "Target",
    "pipeline": "Pipeline",
    "bay": "Bay",
    "compare": "Compare with",
}
ALONE = "none"  # compared with nothing
# Whether pictures have the bay's imperfections.
AS_BUILT, AS_DRAWN = "built", "drawn"
BAYS = {AS_BUILT: "as built", AS_DRAWN: "as drawn, noise alone"}
