"""A bay in words, as 'sightbench bay' shows it: towers, cameras, wheels, survey."""

from __future__ import annotations

from bench.errors import GeometryError
from bench.geometry.camera import Camera
from bench.scene.bay_words import (
    both,
    lens_words,
    mount_words,
    siting_words,
    station_words,
    surroundings_words,
    vehicle_words,
)
from bench.scene.facts import Sight, field_of_view, spacing
from bench.scene.model import Bay, Tower
from bench.scene.wheel_ids import id_words
from bench.tables import aligned
from bench.units import format_angle, format_length


def describe(bay: Bay, seen: tuple[Sight, ...]) -> str:
    """Return a bay in words."""
    survey, tolerance = bay.survey, bay.tolerance
    cells = len(survey.ranges_m) * len(survey.turns_deg) * len(survey.pitches_deg)
    pictures = cells * survey.trials * len(survey.pixels or (0,))
    lines = [
        f"{bay.name} ({bay.path})",
        "",
        f"Towers: {len(bay.towers)}, the outer cameras {both(spacing(bay))} apart, "
        f"{both(bay.standoff)} before the near axle.",
        *(f"  {tower.name}: {_placement(tower)}" for tower in bay.towers),
        *_cameras(bay),
        f"Target: {bay.target.name}, on a plate of "
        f"{format_length(bay.target.drawing.width, 'mm')} x "
        f"{format_length(bay.target.drawing.height, 'mm')}.",
        id_words(bay),
        *mount_words(bay),
        "",
        *vehicle_words(bay),
        *station_words(bay),
        *surroundings_words(bay),
        "",
        *_wheel_table(seen),
        "",
        *_extremes(bay, seen),
        *lens_words(bay),
        *siting_words(bay),
        f"Survey: {cells} cells (ranges x turns x pitches: {len(survey.ranges_m)} x "
        f"{len(survey.turns_deg)} x {len(survey.pitches_deg)}), {survey.trials} trials each: "
        f"{pictures} pictures.",
        f"Pipelines: {', '.join(survey.pipelines)}.",
        f"Tolerance: {100 * tolerance.success:g} % of pictures usable and within "
        f"{format_angle(tolerance.within)}, with {100 * tolerance.confidence:g} % confidence; "
        f"expanded uncertainty of toe {format_angle(tolerance.toe)}, camber "
        f"{format_angle(tolerance.camber)}, thrust angle {format_angle(tolerance.thrust)}.",
        f"Decision rule: {tolerance.rule_words}.",
        f"Digest of the content: {bay.digest[:16]}",
    ]
    return "\n".join(lines)


def _placement(tower: Tower) -> str:
    place = tower.placement
    side = "left" if place.offset > 0 else "right"
    offset = f"{format_length(abs(place.offset))} {side} of" if place.offset else "on"
    return (
        f"{offset} the centre line, {format_length(place.height)} high, "
        f"yaw {format_angle(place.yaw)}, pitch {format_angle(place.pitch)}, "
        f"roll {format_angle(place.roll)}"
    )


def _cameras(bay: Bay) -> list[str]:
    first = bay.towers[0].camera
    if all(tower.camera == first for tower in bay.towers):
        return [f"Cameras: all {_camera(first)}."]
    return [f"Camera of {tower.name}: {_camera(tower.camera)}." for tower in bay.towers]


def _camera(camera: Camera) -> str:
    focal = f"f = {camera.fx:.1f} px"
    if camera.pixel_pitch is not None:
        pitch = format_length(camera.pixel_pitch, "um")
        focal += f" ({format_length(camera.fx * camera.pixel_pitch, 'mm')} at {pitch})"
    try:
        across, down = map(format_angle, field_of_view(camera))
        view = f"field of view {across} x {down}"
    except GeometryError:
        view = "DISTORTION NOT ONE-TO-ONE as far as the picture's edges: no field of view"
    return f"{camera.width} x {camera.height} px, {focal}, {view}"


def _wheel_table(seen: tuple[Sight, ...]) -> list[str]:
    rows = [("tower", "vehicle", "station", "wheel", "range", "in the picture at", "target")]
    for one in seen:
        place = "nowhere"
        if one.place is not None:
            place = f"{100 * one.place[0]:.0f} % across, {100 * one.place[1]:.0f} % down"
        place += "" if one.whole else " - NOT WHOLLY IN THE PICTURE"
        wheel = one.wheel
        size = f"{one.size_px:.0f} px"
        whose = (one.tower, wheel.vehicle, wheel.station, wheel.name)
        rows.append((*whose, both(one.range_m), place, size))
    return aligned(rows)


def _extremes(bay: Bay, seen: tuple[Sight, ...]) -> list[str]:
    near, far = min(seen, key=lambda one: one.range_m), max(seen, key=lambda one: one.range_m)
    lines = [
        f"Nearest wheel {both(near.range_m)}, target {near.size_px:.0f} px; "
        f"farthest {both(far.range_m)}, {far.size_px:.0f} px."
    ]
    low, high = min(bay.survey.ranges_m), max(bay.survey.ranges_m)
    if low > near.range_m or high < far.range_m:
        lines.append(
            f"The survey's ranges, {format_length(low)} to {format_length(high)}, "
            "don't cover that."
        )
    missed = sum(not one.whole for one in seen)
    if missed:
        lines.append(f"{missed} of {len(seen)} targets aren't wholly in the picture.")
    return lines
