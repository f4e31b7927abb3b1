"""A bay's surroundings, vehicles, mounts and lenses in words."""

from __future__ import annotations

import math

from bench.scene.lens_needs import SHARP_PX, LensNeeds, lens_needs
from bench.scene.mesh_file import mesh_in_bay
from bench.scene.model import Bay
from bench.scene.occupancy import clear_width
from bench.scene.surroundings import Box, MeshObject, Obstacle, ParkedVehicle, Post
from bench.scene.vehicle import Mount, Vehicle
from bench.units import format_angle, format_length


def both(metres: float) -> str:
    """Return a length in metres, and in feet and inches."""
    return f"{format_length(metres)} ({format_length(metres, 'ft-in')})"


def station_words(bay: Bay) -> list[str]:
    """Return where vehicles stand."""
    lines = [f"Stations: {len(bay.stations)}."]
    for station in bay.stations:
        height = (
            "on the floor"
            if station.lift == 0.0
            else f"{both(abs(station.lift))} {'above' if station.lift > 0 else 'below'} the floor"
        )
        lines.append(
            f"  {station.name}: near axle {both(station.standoff)} from the tower line, {height}"
        )
    return lines


def vehicle_words(bay: Bay) -> list[str]:
    """Return the vehicles and how they fit."""
    return [f"Vehicles: {len(bay.vehicles)}.", *(f"  {_vehicle(v)}" for v in bay.vehicles)]


def _vehicle(vehicle: Vehicle) -> str:
    body = vehicle.body
    length = vehicle.wheelbase + body.front_overhang + body.rear_overhang
    tracks = _listed([axle.track for axle in vehicle.axles])
    return (
        f"{vehicle.name}: wheelbase {format_length(vehicle.wheelbase)}, track {tracks}, "
        f"{format_length(vehicle.width)} wide, {format_length(length)} long, "
        f"{format_length(body.height)} high"
    )


def mount_words(bay: Bay) -> list[str]:
    """Return how wheels carry their targets; axles with the same mount together."""
    mounts: dict[Mount, list[str]] = {}
    for vehicle in bay.vehicles:
        for axle in vehicle.axles:
            mounts.setdefault(axle.mount, []).append(f"{vehicle.name} {axle.name}")
    lines = []
    for mount, axles in mounts.items():
        whose = "" if len(mounts) == 1 else f" of {'; '.join(axles)}"
        lines.append(f"Mounts{whose}: {_mount(mount)}.")
    return lines


def _mount(mount: Mount) -> str:
    words = [f"target {format_length(mount.outboard)} outboard of the wheel's centre"]
    if mount.forward:
        words.append(
            f"{format_length(abs(mount.forward))} {'ahead' if mount.forward > 0 else 'behind'}"
        )
    if mount.up:
        words.append(f"{format_length(abs(mount.up))} {'above' if mount.up > 0 else 'below'}")
    way = "outward" if mount.turn >= 0 else "inward"
    words.append(f"turned {format_angle(abs(mount.turn))} {way}")
    words.append(f"pitched {format_angle(mount.pitch)}")
    words.append(
        f"presets turn {_angles(mount.turn_presets)}, pitch {_angles(mount.pitch_presets)}"
    )
    return ", ".join(words)


def surroundings_words(bay: Bay) -> list[str]:
    """Return walls, obstacles, lamps, the floor's slopes, and the room between the columns."""
    around = bay.surroundings
    lines = []
    if around.room is not None:
        room = around.room
        lines.append(
            f"Room: {both(room.left + room.right)} wide, {both(room.ahead + room.behind)} long, "
            f"{both(room.height)} high; the tower line {format_length(room.ahead)} before the "
            "wall ahead."
        )
    lines += [f"  {_obstacle(obstacle)}" for obstacle in around.obstacles]
    if around.lamps:
        lamps = ", ".join(
            f"{lamp.name} {format_length(lamp.position[2])} up" for lamp in around.lamps
        )
        lines.append(f"Lamps: {lamps}.")
    if around.floor.along or around.floor.across:
        lines.append(
            f"Floor: {_slope(around.floor.along)} toward the towers, "
            f"{_slope(around.floor.across)} to the vehicle's left."
        )
    return [*lines, *_between(bay)]


def _obstacle(obstacle: Obstacle) -> str:
    match obstacle:
        case Box(name, centre, size, bottom):
            sides = " x ".join(format_length(side) for side in size)
            above = f", {format_length(bottom)} above the floor" if bottom else ""
            return f"{name}: box of {sides}{above}, {_place(*centre)}"
        case Post(name, centre, radius, height):
            return (
                f"{name}: post of {format_length(2.0 * radius)} diameter, "
                f"{format_length(height)} high, {_place(*centre)}"
            )
        case ParkedVehicle(name, vehicle, position):
            return f"{name}: a {vehicle}, its near axle {_place(*position)}"
        case MeshObject(name):
            vertices, triangles = mesh_in_bay(obstacle)
            size = vertices.max(axis=0) - vertices.min(axis=0)
            sides = " x ".join(format_length(float(side)) for side in size)
            return f"{name}: mesh of {len(triangles)} triangles, {sides}, {obstacle.path.name}"


def _place(x: float, y: float) -> str:
    way = "ahead of" if x > 0 else "behind"
    along = f"{format_length(abs(x))} {way} the tower line" if x else "on the tower line"
    side = "left" if y > 0 else "right"
    return f"{along}, {format_length(abs(y))} {side} of the centre line" if y else along


def _slope(radians: float) -> str:
    return f"{'rises' if radians >= 0 else 'falls'} {1e3 * abs(math.tan(radians)):.2g} mm/m"


def _between(bay: Bay) -> list[str]:
    left, right = clear_width(bay)
    if not math.isfinite(left + right):
        return []
    widest = max(bay.vehicles, key=lambda vehicle: vehicle.width)
    spare = min(left, right) - 0.5 * widest.width
    needed = bay.surroundings.drive_through
    says = f"{format_length(abs(spare))} {'are left' if spare >= 0 else 'are missing'}"
    driven = "not driven through" if needed is None else f"{format_length(needed)} needed"
    return [
        f"Between the columns: {both(left + right)} clear; for the widest vehicle, {widest.name} "
        f"of {format_length(widest.width)}, {says} on either side ({driven})."
    ]


def lens_words(bay: Bay) -> list[str]:
    """Return depth of field and diffraction against what the targets need; same ones together."""
    lenses: dict[str, list[str]] = {}
    for tower in bay.towers:
        needs = lens_needs(bay, tower)
        if needs is not None:
            lenses.setdefault(_lens(needs), []).append(tower.name)
    return [f"Lens of {' and '.join(towers)}: {text}" for text, towers in lenses.items()]


def _lens(one: LensNeeds) -> str:
    wanted = f"targets stand {format_length(one.near)} to {format_length(one.far)} deep"
    stop = f"f/{one.least_f_number:.1f}"
    advice = (
        f"focused at {format_length(one.best_focus)} and stopped down to {stop} a lens has all of "
        f"that sharp (blur to {SHARP_PX:g} px)"
    )
    disc = (
        f"Airy disc of {one.airy_px:.1f} px, cutoff {one.cutoff_px:.2f} cycles/px at "
        f"{format_length(one.wavelength, 'um')}"
    )
    if one.f_number is None:
        return f"{wanted}; {advice}, with an {disc}. The file gives no f_number."
    own = f"f/{one.f_number:g}, hyperfocal distance {format_length(one.hyperfocal or 0.0)}, {disc}"
    if one.sharp is None:
        return f"{wanted}; {own}; no focus_distance given: {advice}."
    near, far = one.sharp
    reach = "infinity" if math.isinf(far) else format_length(far)
    good = near <= one.near and far >= one.far
    verdict = "covers that" if good else f"DOESN'T COVER that: {advice}"
    return f"{wanted}; {own}; sharp from {format_length(near)} to {reach}, which {verdict}."


def siting_words(bay: Bay) -> list[str]:
    """Return what siting may choose from and must keep."""
    space = bay.siting
    lenses = ", ".join(format_length(lens, "mm") for lens in space.lenses) or "the cameras' own"
    return [
        f"Siting: spacing {_span(space.spacing)}, height {_span(space.height)}, standoff "
        f"{_span(space.standoff)}, yaw {_arc(space.yaw)} inward, pitch {_arc(space.pitch)}, "
        f"lenses {lenses}; keeps {space.margin:g} plate widths of margin, tilt "
        f"{_arc(space.tilt)}, {100 * space.visible:g} % visible."
    ]


def _listed(lengths: list[float]) -> str:
    different = list(dict.fromkeys(lengths))
    return " and ".join(format_length(one) for one in different)


def _angles(angles: tuple[float, ...]) -> str:
    return ", ".join(format_angle(angle).removesuffix(" deg") for angle in angles) + " deg"


def _span(interval: tuple[float, float]) -> str:
    return f"{format_length(interval[0]).removesuffix(' m')} to {format_length(interval[1])}"


def _arc(interval: tuple[float, float]) -> str:
    return f"{format_angle(interval[0]).removesuffix(' deg')} to {format_angle(interval[1])}"
