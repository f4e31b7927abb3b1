"""The controls of the live bench: names, units, limits; one table for the page and the parser."""

from __future__ import annotations

from dataclasses import dataclass


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
        "roll_spread_deg", "Roll spread", "deg", "View", 0.0, 180.0, 1.0,
        note="Half width of the roll's variation in a run of pictures, as a map has it; 0 is off. "
        "The picture shown has none.",
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
        "light", "Light", "", "Light", 0.0, 3.0, 0.01,
        note="How far a perfectly white target fills a pixel; above 1 it saturates.",
    ),
    Control(
        "brighter_right", "Brighter to the right", "%/m", "Light", -200.0, 200.0, 1.0
    ),
    Control("brighter_down", "Brighter downwards", "%/m", "Light", -200.0, 200.0, 1.0),
    Control(
        "blur_px", "Blur", "px", "Blur", 0.0, 10.0, 0.05, gap=0.05,
        note="Standard deviation of the lens's Gaussian blur.",
    ),
    Control(
        "f_number", "f-number", "", "Blur", 0.0, 32.0, 0.1, gap=0.7,
        note="Adds diffraction and defocus; 0 leaves both out.",
    ),
    Control(
        "focus_m", "Focused at", "m", "Blur", 0.0, 40.0, 0.05, gap=0.1,
        note="0 is at the target; needs an f-number.",
    ),
    Control(
        "motion_right_px", "Motion to the right", "px", "Blur", -20.0, 20.0, 0.1,
        note="While the shutter is open.",
    ),
    Control("motion_down_px", "Motion downwards", "px", "Blur", -20.0, 20.0, 0.1),
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
)  # fmt: skip
CONTROL = {control.name: control for control in CONTROLS}
GROUPS = tuple(dict.fromkeys(control.group for control in CONTROLS))
# What is chosen from lists that depend on the bay.
CHOICES = {
    "tower": "Tower",
    "target": "Target",
    "pipeline": "Pipeline",
    "bay": "Bay",
}
# Whether pictures have the bay's imperfections.
AS_BUILT, AS_DRAWN = "built", "drawn"
BAYS = {AS_BUILT: "as built", AS_DRAWN: "as drawn, noise alone"}
