"""The part of a bay file that describes the registration bar, and files of bar poses."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from bench.scene.bar import Bar, BarPose
from bench.scene.fields import (
    BAR_LENGTH,
    BAR_UNCERTAINTY,
    FLOOR_DISTANCE,
    FLOOR_HEIGHT,
    FLOOR_OFFSET,
    AngleStep,
    given,
    refuse_both,
    refuse_empty,
)
from bench.scene.quantities import Interval, Quantities, Quantity, written
from bench.scene.target_section import TargetSection
from bench.strict import Section, read_toml, validate
from bench.targets.design import build_target

Turn = Annotated[float, Quantity("angle", "-85 deg", "85 deg")]
TurnRange = Annotated[tuple[float, float], Interval("angle", "-85 deg", "85 deg")]
Swing = Annotated[float, Quantity("angle", "-60 deg", "60 deg")]


class BarSection(Section):
    """A rigid bar with a target near each end, which ties the towers to each other."""

    length: Annotated[float, BAR_LENGTH] = written("1.9 m")
    """Distance between the centres of the two targets."""
    length_uncertainty: Annotated[float, BAR_UNCERTAINTY] | None = None
    """Standard uncertainty of the length, where it was calibrated apart."""
    target_a: TargetSection | None = None
    """At the left end; the bench's own 200 mm marker when left out."""
    target_b: TargetSection | None = None
    """At the right end; with another id than A's."""
    turn_presets: Annotated[tuple[float, ...], Quantities("angle", "-85 deg", "85 deg")] | None = (
        None
    )
    """The only angles about its long axis at which the stands hold the bar."""
    turn_range: TurnRange | None = None
    """Without presets: least and greatest such angle, -60 deg and 60 deg when left out."""
    angle_step: AngleStep | None = None
    """Such angles are whole multiples of it, as a protractor sets them; 1 deg when left out."""
    heights: Annotated[tuple[float, ...], Quantities("length", "0 m", "5 m", above=True)] = (
        written("0.4, 0.7 m")
    )
    """Heights above the floor that the stands can be set to."""
    level_sensitivity: Annotated[float, Quantity("angle", "0 rad", "10 mrad", above=True)] = (
        written("0.1 mrad")
    )
    """Standard uncertainty of a reading of the spirit level on the bar."""

    @model_validator(mode="after")
    def _presets_or_a_range(self) -> BarSection:
        refuse_both(self, "turn_presets", "turn_range", "angle_step")
        refuse_empty(self.turn_range or Bar.turn_range, self.angle_step or Bar.angle_step)
        return self

    def to_bar(self) -> Bar:
        """Return the bar."""
        # a length whose uncertainty the file leaves out is the drawing's
        values = {"length_uncertainty": None} | given(self)
        for end in ("target_a", "target_b"):
            if end in values:
                values[end] = build_target(values[end].to_design())
        return Bar(**values)


class PoseSection(Section):
    """How the bar stands in one step."""

    distance: Annotated[float, FLOOR_DISTANCE]
    """Of the bar's middle from the tower line."""
    offset: Annotated[float, FLOOR_OFFSET] = written("0 m")
    """Of its middle from the centre line, positive to the vehicle's left."""
    height: Annotated[float, FLOOR_HEIGHT] = written("0.5 m")
    """Of its middle above the floor."""
    heading: Swing = written("0 deg")
    """About the vertical, positive with A's end back."""
    slope: Swing = written("0 deg")
    """Of its long axis, positive with A's end up."""
    turn: Turn = written("0 deg")
    """About its long axis, positive with the faces looking down."""
    reversed: bool = False
    """Laid end for end, faces toward the towers again."""

    def to_pose(self) -> BarPose:
        """Return the pose."""
        return BarPose(**given(self))


class PosesFile(Section):
    """A list of bar poses, in the order in which they are taken."""

    pose: Annotated[list[PoseSection], Field(min_length=1, max_length=200)]
    """One step."""


def read_poses(path: Path | str) -> tuple[BarPose, ...]:
    """Return the bar poses of a TOML file, a ``[[pose]]`` a step.

    Raises
    ------
    ConfigError
        The file can't be read or is malformed; one line with file, key and value.
    """
    path = Path(path)
    section = validate(PosesFile, read_toml(path), path)
    return tuple(pose.to_pose() for pose in section.pose)


def poses_toml(poses: tuple[BarPose, ...], comment: str = "") -> str:
    """Return bar poses as `read_poses` takes them."""
    lines = [f"# {line}".rstrip() for line in comment.splitlines()]
    for index, pose in enumerate(poses):
        lines += ["", f"[[pose]] # {index + 1}: {pose.words}"]
        lines += [f'{key} = "{getattr(pose, key):.4f} m"' for key in ("distance", "offset")]
        lines += [f'height = "{pose.height:.4f} m"']
        lines += [f'{key} = "{getattr(pose, key):.6f} rad"' for key in ("heading", "slope")]
        lines += [f'turn = "{pose.turn:.6f} rad"', f"reversed = {str(pose.reversed).lower()}"]
    return "\n".join(lines).lstrip("\n") + "\n"
