"""The state of the live bay: what it changes in the bay file, and which vehicle is shown where."""

from __future__ import annotations

import contextlib
import math
import threading
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from bench.errors import BenchError, ConfigError
from bench.explore.state import Problem, StateError
from bench.geometry.camera import Camera
from bench.imaging.model import Imaging
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.scene.vehicle import Mount, Station, Vehicle
from bench.sighting.prediction import Predictor, predictor_of
from bench.siting.formulation import make_problem
from bench.strict import read_toml
from bench.units import format_angle, format_length, quantity

KEPT = 16  # bays by their changes: a few steps back, and what one drags to and fro
LONGEST = 40  # characters of a value


@dataclass(frozen=True)
class Knob:
    """One value of the bay file that the page can change.

    Attributes
    ----------
    key : str
        With its tables, such as ``tower.0.yaw``, as `load_bay` takes it.
    label, group : str
        As the page has them.
    kind : str
        ``length`` or ``angle``.
    value : float
        Metres or radians.
    choices : tuple of float
        All that the file allows; empty where any value within limits is.
    """

    key: str
    label: str
    group: str
    kind: str
    value: float
    choices: tuple[float, ...] = ()


@dataclass(frozen=True)
class BayState:
    """What the page shows.

    Attributes
    ----------
    vehicle, station : str
        Names of what is drawn; everything is judged.
    changes : tuple of (str, str)
        Keys of the bay file with their values as it writes them, sorted; only what differs.
    """

    vehicle: str
    station: str
    changes: tuple[tuple[str, str], ...] = ()

    def permalink(self) -> str:
        """Return the state as a URL's query."""
        return urlencode([("vehicle", self.vehicle), ("station", self.station), *self.changes])


class MovableBay:
    """A bay file with everything that the page can move in it, and what predictions need.

    Parameters
    ----------
    own : Bay
        As its file has it.
    """

    def __init__(self, own: Bay) -> None:
        self.own = own
        self.document = read_toml(own.path)
        self.predictor = predictor_of(own)
        self._bays: OrderedDict[tuple[tuple[str, str], ...], Bay] = OrderedDict()
        self._quick: dict[tuple[Camera, Imaging], Predictor] = {}
        self._making: set[tuple[Camera, Imaging]] = set()
        self._lock = threading.Lock()

    @property
    def default(self) -> BayState:
        """The bay as it is, with its first vehicle at its first station."""
        return BayState(self.own.vehicles[0].name, self.own.stations[0].name)

    def bay(self, state: BayState) -> Bay:
        """Return the bay of a state; things may stand in each other.

        Raises
        ------
        StateError
            As the file's reader refuses a value: names the key, the value and what is allowed.
        """
        if not state.changes:
            return self.own
        with self._lock:
            if state.changes in self._bays:
                self._bays.move_to_end(state.changes)
                return self._bays[state.changes]
        try:
            bay = load_bay(self.own.path, self.full(state), fitting=False)
        except BenchError as error:
            raise _refused(str(error).removeprefix(f"{self.own.path}: "), state) from error
        with self._lock:
            self._bays[state.changes] = bay
            while len(self._bays) > KEPT:
                self._bays.popitem(last=False)
        return bay

    def full(self, state: BayState) -> dict[str, str]:
        """Return a state's changes with what follows from them in the file."""
        changes = dict(state.changes)
        first = (self.document.get("station") or [{}])[0]
        if "standoff" in changes and "standoff" in first:  # the two must be the same
            changes["station.0.standoff"] = changes["standoff"]
        return changes

    def vehicle(self, state: BayState) -> Vehicle:
        """Return the vehicle that is shown."""
        return next(v for v in self.bay(state).vehicles if v.name == state.vehicle)

    def station(self, state: BayState) -> Station:
        """Return the station that it stands at."""
        return next(s for s in self.bay(state).stations if s.name == state.station)

    def quick(self, bay: Bay, wait: bool = False) -> Predictor | None:
        """Return a predictor from a table, good for all layouts with these cameras.

        None where there is none yet, which then is made beside; or where cameras differ.
        """
        if self.predictor.is_quick:
            return self.predictor
        key = (bay.towers[0].camera, bay.towers[0].imaging)
        if any((tower.camera, tower.imaging) != key for tower in bay.towers):
            return None
        with self._lock:
            if key in self._quick or key in self._making:
                return self._quick.get(key)
            self._making.add(key)
        making = threading.Thread(target=self._make, args=(key, bay), name="table", daemon=True)
        making.start()
        if wait:
            making.join()
        return self._quick.get(key)

    def _make(self, key: tuple[Camera, Imaging], bay: Bay) -> None:
        # without a table of this lens it stays among those being made, and the exact one serves
        with contextlib.suppress(BenchError):
            self._quick[key] = make_problem(bay, self.predictor).predictor

    def knobs(self, bay: Bay, vehicle: str) -> tuple[Knob, ...]:
        """Return what can be moved in a bay while a vehicle is shown."""
        return (*_towers(bay), *self._lenses(bay), *self._vehicle(bay, vehicle))

    def _lenses(self, bay: Bay) -> Iterator[Knob]:
        tables = [("camera", "Lens", self.document.get("camera"), bay.towers[0])]
        for i, tower in enumerate(bay.towers):
            own = self.document["tower"][i].get("camera")
            tables.append((f"tower.{i}.camera", f"{_title(tower.name)} tower's lens", own, tower))
        for key, label, table, tower in tables:
            camera = tower.camera
            if table is None or camera.pixel_pitch is None:
                continue
            if key == "camera" and all("camera" in one for one in self.document["tower"]):
                continue
            if not isinstance(table.get("focal_length"), str):
                continue  # two numbers of a calibration are nobody's to drag
            length = camera.fx * camera.pixel_pitch
            lenses = bay.siting.lenses
            yield Knob(f"{key}.focal_length", label, "Lens", "length", length, lenses)

    def _vehicle(self, bay: Bay, name: str) -> Iterator[Knob]:
        group = "Vehicle and where it stands"
        yield Knob("standoff", "Near axle to tower line", group, "length", bay.standoff)
        for i, station in enumerate(bay.stations if "station" in self.document else ()):
            title = _title(station.name)
            yield Knob(f"station.{i}.lift", f"{title}: lift", group, "length", station.lift)
            if i and "standoff" in self.document["station"][i]:
                key = f"station.{i}.standoff"
                yield Knob(key, f"{title}: standoff", group, "length", station.standoff)
        listed = [v["name"] for v in self.document.get("vehicle", [])]
        if name in listed:
            index = listed.index(name)
            vehicle = next(v for v in bay.vehicles if v.name == name)
            for j, axle in enumerate(vehicle.axles):
                table, axle_group = (
                    f"vehicle.{index}.axle.{j}",
                    f"{_title(name)}, {axle.name} axle",
                )
                if axle.behind:
                    key = f"{table}.behind"
                    yield Knob(key, "Behind the near axle", axle_group, "length", axle.behind)
                yield Knob(f"{table}.track", "Track", axle_group, "length", axle.track)
                yield from _mount(f"{table}.mount", axle_group, axle.mount)
        if "mount" in self.document:
            shared = load_mount(bay, self.document)
            yield from _mount("mount", "Targets, all axles", shared)


def load_mount(bay: Bay, document: Mapping[str, Any]) -> Mount:
    """Return the mount that axles without their own share, or else the first axle's."""
    own = {
        (vehicle["name"], axle["name"])
        for vehicle in document.get("vehicle", [])
        for axle in vehicle["axle"]
        if "mount" in axle
    }
    axles = [(v.name, axle) for v in bay.vehicles for axle in v.axles]
    return next((a.mount for v, a in axles if (v, a.name) not in own), axles[0][1].mount)


def _towers(bay: Bay) -> Iterator[Knob]:
    for i, tower in enumerate(bay.towers):
        place, group = tower.placement, f"{_title(tower.name)} tower"
        for name, label, kind in (
            ("offset", "Beside the centre line", "length"),
            ("height", "Camera's height", "length"),
            ("forward", "Off the tower line", "length"),
            ("yaw", "Yaw, to its left", "angle"),
            ("pitch", "Pitch, up", "angle"),
            ("roll", "Roll", "angle"),
        ):
            yield Knob(f"tower.{i}.{name}", label, group, kind, getattr(place, name))


def _mount(table: str, group: str, mount: Mount) -> Iterator[Knob]:
    for name, label, choices in (
        ("turn", "Target's turn, out", mount.turn_presets),
        ("pitch", "Target's pitch, up", mount.pitch_presets),
    ):
        value = getattr(mount, name)
        yield Knob(f"{table}.{name}", label, group, "angle", value, choices)
    yield Knob(f"{table}.outboard", "Target outboard", group, "length", mount.outboard)


def read_bay_state(given: Mapping[str, str], movable: MovableBay) -> BayState:
    """Return the state that an address's fields describe.

    Raises
    ------
    StateError
        A field is no control's, a name none of the bay's, or a value is refused.
    """
    default, bay = movable.default, movable.own
    names = {"vehicle": [v.name for v in bay.vehicles], "station": [s.name for s in bay.stations]}
    chosen = {"vehicle": default.vehicle, "station": default.station}
    changes, problems = {}, []
    known = {k.key: k for v in bay.vehicles for k in movable.knobs(bay, v.name)}
    for name, text in given.items():
        clean = " ".join("".join(c if c.isprintable() else " " for c in text).split())
        if name in names:
            if clean in names[name]:
                chosen[name] = clean
            else:
                there = ", ".join(names[name])
                said = f"There is no {name} '{clean[:LONGEST]}'; there are {there}."
                problems.append(Problem(name, said))
        elif name not in known:
            problems.append(Problem("", f"There is no control '{name[:LONGEST]}'."))
        elif len(clean) > LONGEST:
            problems.append(Problem(name, f"{name}: a value has at most {LONGEST} characters."))
        elif _of_an_axle(name) or not _same(clean, known[name]):
            changes[name] = clean
    if problems:
        raise StateError(*problems)
    state = BayState(chosen["vehicle"], chosen["station"], tuple(sorted(changes.items())))
    movable.bay(state)
    return state


def written(knob: Knob, value: float) -> str:
    """Return a value as a bay file has it, to a hundredth of a millimetre or a thousandth deg."""
    if knob.key.endswith("focal_length"):
        return format_length(value, "mm")
    return format_length(value) if knob.kind == "length" else format_angle(value)


def _of_an_axle(key: str) -> bool:
    """Tell whether a key says what an axle's mounts have otherwise than the bay's."""
    return key.startswith("vehicle.") and ".mount." in key


def _same(text: str, knob: Knob) -> bool:
    """Tell whether a text says what the file has."""
    try:
        value = quantity(text, knob.kind)
    except ConfigError:
        return False  # its own reader says why
    return math.isclose(value, knob.value, rel_tol=1e-12, abs_tol=1e-12)


def _refused(message: str, state: BayState) -> StateError:
    """Return the file's reader's message at the control that it is about."""
    key = message.partition(": ")[0]
    keys = [k for k, _ in state.changes if k == key or k.startswith(f"{key}.")]
    return StateError(Problem(keys[0] if keys else "", f"{message.rstrip('.')}."))


def _title(name: str) -> str:
    return name[:1].upper() + name[1:]
