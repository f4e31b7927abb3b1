"""What hands do between the commands on the invented bay, with errors that are stated."""

from __future__ import annotations

import math
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from bench.cameras.rehearsal import calibration_views, write_rehearsal
from bench.digest import key_digest
from bench.files import make_directory, write_atomically
from bench.geometry.camera import Camera
from bench.proof.length import plan_for_bay
from bench.registration.bar_views import SIDES, T_left_right_of
from bench.registration.level_plan import default_plan
from bench.registration.level_rehearsal import Site, write_example
from bench.registration.pictures import render_pictures
from bench.registration.rehearsal import Errors, Faults, draw_scene, error_of
from bench.registration.result import read_registration
from bench.scene.bar_section import read_poses
from bench.scene.load import load_bay
from bench.scene.model import Bay, Placement
from bench.targets.spec import target_from_spec
from bench.typing import Array
from bench.wheels.rehearsal import rehearse_wheels

SEED = 7
# The cameras as they are, off what the bay file says: focal length, principal point.
FOCAL = {"left": 1.004, "right": 0.997}
CENTRE = {"left": (3.0, -2.0), "right": (-2.5, 1.5)}
# Built first: the left tower turned and set off, the right camera low. Then turned back.
FIRST: dict[str, dict[str, float]] = {
    "left": {"offset": 0.009, "yaw": math.radians(3.2)},
    "right": {"height": -0.006, "pitch": math.radians(-0.2)},
}
CORRECTED: dict[str, dict[str, float]] = {
    "left": {"offset": 0.002, "yaw": math.radians(0.1)},
    "right": {"height": -0.001, "pitch": math.radians(-0.05)},
}
# What tape and angle gauge are off by, standard.
TAPE, GAUGE = 1e-3, math.radians(0.03)
# The mistake: target B slips so far up its holder, from this bar pose on (counted from 0).
SLIP, SLIP_STEP = (0.0, 0.003, 0.0), 3
# Of repeated readings of a wheel: of a repetition, and between operators; degrees, standard.
REPEAT, OPERATOR = 0.006, 0.003
TOWER = """
[[tower]]
name = "{name}"
offset = "{offset:.1f} mm"
forward = "{forward:.1f} mm"
height = "{height:.1f} mm"
yaw = "{yaw:.3f} deg"
pitch = "{pitch:.3f} deg"
roll = "{roll:.3f} deg"
"""
MEASURED = """\
# What was measured on site, by tape and angle gauge.

standoff = "{standoff:.1f} mm"

[uncertainty]
length = "{length:g} mm"
angle = "{angle:g} deg"
"""


@dataclass(frozen=True)
class SiteWork:
    """The bay as it really is, and what is done in it.

    Attributes
    ----------
    book : Path
        The book's folder.
    """

    book: Path

    @property
    def built(self) -> dict[str, dict[str, float]]:
        """By tower, what is off the plan, metres and radians: corrected once it was found."""
        return CORRECTED if (self.book / "as-built-2").is_dir() else FIRST

    def plan(self) -> Bay:
        """Return the bay as sited."""
        return load_bay(self.book / "site" / "sited.toml")

    def truth(self) -> Bay:
        """Return the bay as it really stands, with its real cameras."""
        plan = self.plan()
        towers = []
        for tower in plan.towers:
            off = self.built[tower.name]
            place = tower.placement
            moved = {key: getattr(place, key) + value for key, value in off.items()}
            towers.append(
                replace(
                    tower,
                    placement=replace(place, **moved),
                    camera=real_camera(tower.name, tower.camera),
                )
            )
        return replace(plan, towers=tuple(towers))

    def rng(self, what: str) -> np.random.Generator:
        """Return the random numbers of a piece of work."""
        return np.random.default_rng(np.random.SeedSequence([SEED, key_digest(what)]))

    def photograph_board(self, folder: Path, board: str) -> None:
        """Take a tower's pictures of a flat board."""
        side = next(side for side in SIDES if side in folder.parent.name)
        bay = load_bay(self.book / "bay.toml")
        tower = next(tower for tower in bay.towers if tower.name == side)
        camera, target = real_camera(side, tower.camera), target_from_spec(board)
        views = calibration_views(camera, target)
        write_rehearsal(folder, views, target, camera, tower.imaging, SEED)

    def measure_bay(self, path: Path) -> None:
        """Fill in what tape and angle gauge say."""
        rng, truth = self.rng(f"tape {path.parent.name}"), self.truth()
        text = MEASURED.format(
            standoff=1e3 * (truth.standoff + TAPE * rng.standard_normal()),
            length=1e3 * TAPE,
            angle=math.degrees(GAUGE),
        )
        for tower in truth.towers:
            text += TOWER.format(name=tower.name, **_read(tower.placement, rng))
        write_atomically(path, text.encode())

    def photograph_bar(self, folders: Sequence[Path], poses: Path) -> None:
        """Take both towers' pictures of the bar; the first time a target slips on it."""
        first = folders[0].parent.name == "register"
        faults = Faults(shift=SLIP, slip_step=SLIP_STEP) if first else Faults()
        truth, rng = self.truth(), self.rng(f"bar {folders[0].parent.name}")
        errors = Errors.assumed(truth.budget, focal=0.0, centre_px=0.0)
        scene = draw_scene(truth, read_poses(poses), errors, faults, rng)
        by_side = dict(zip(SIDES, folders, strict=True))
        for folder in folders:
            make_directory(folder)
        for name, picture in render_pictures(truth, scene, rng):
            side = next(side for side in SIDES if name.startswith(side))
            png = cv2.imencode(".png", picture.grey)[1].tobytes()
            write_atomically(by_side[side] / f"{name}.png", png)

    def level_bar(self, table: Path) -> None:
        """Write the bar's poses on its stands, level and laid end for end."""
        truth = self.truth()
        make_directory(table.parent)
        site = Site(plumb=0.0, floor_slope=math.radians(0.2))
        made = write_example(truth, default_plan(truth), site, SEED, table.parent)
        shutil.move(made, table)

    def measure_lengths(self, table: Path, registration: Path) -> None:
        """Fill in lengths of the calibrated bar, as the registered towers find them."""
        truth, rng = self.truth(), self.rng("lengths")
        plan = plan_for_bay(truth, truth.bar, table.parent / "length-places.toml", None, None)
        tied = read_registration(registration).value.T_left_right.pose
        shared = plan.registration @ error_of(tied, T_left_right_of(truth))
        lines = ["place,reading,length_mm"]
        for row in table.read_text().splitlines()[1:]:
            place, reading = row.split(",")[:2]
            k = int(place) - 1
            length = truth.bar.length + shared[k] + plan.noise[k] * rng.standard_normal()
            lines.append(f"{place},{reading},{1e3 * length:.3f}")
        write_atomically(table, ("\n".join(lines) + "\n").encode())

    def repeat_wheels(self, table: Path) -> None:
        """Fill in repeated readings of wheels by several operators."""
        rng = self.rng("repeat")
        rows = [row.split(",") for row in table.read_text().splitlines()]
        wheels, people = (sorted({row[k] for row in rows[1:]}) for k in (1, 2))
        true = {name: rng.normal(0.0, 0.2, 2) for name in wheels}
        own = {name: rng.normal(0.0, OPERATOR, 2) for name in people}
        lines = [",".join(rows[0])]
        for number, wheel, who, *_ in rows[1:]:
            toe, camber = true[wheel] + own[who] + rng.normal(0.0, REPEAT, 2)
            lines.append(f"{number},{wheel},{who},{toe:.4f},{camber:.4f}")
        write_atomically(table, ("\n".join(lines) + "\n").encode())

    def measure_vehicle(self, table: Path) -> None:
        """Write poses of the targets on a vehicle whose angles are known."""
        make_directory(table.parent)
        seed = int(self.rng(f"vehicle {table.parent.name}").integers(2**31))
        found = rehearse_wheels(self.truth(), 1e-12 * np.eye(3), seed)
        write_atomically(table, found.table.encode())

    def known_angles(self) -> dict[tuple[str, str], float]:
        """Return that vehicle's angles, radians, by name and reference; no seed is in them."""
        return dict(rehearse_wheels(self.truth(), 1e-12 * np.eye(3), SEED).truth)

    def registration_error(self, registration: Path) -> tuple[float, float, float, float]:
        """Return how far a registration is off the truth, degrees and mm, and what it claims."""
        value = read_registration(registration).value
        miss: Array = error_of(value.T_left_right.pose, T_left_right_of(self.truth()))
        claimed = np.diag(np.array(value.covariance))
        turn, shift = (float(np.linalg.norm(part)) for part in (miss[:3], miss[3:]))
        turn_u, shift_u = (math.sqrt(float(np.sum(part))) for part in (claimed[:3], claimed[3:]))
        return math.degrees(turn), 1e3 * shift, math.degrees(turn_u), 1e3 * shift_u


def real_camera(side: str, camera: Camera) -> Camera:
    """Return a tower's camera as it is."""
    right, down = CENTRE[side]
    return replace(
        camera,
        fx=FOCAL[side] * camera.fx,
        fy=FOCAL[side] * camera.fy,
        cx=camera.cx + right,
        cy=camera.cy + down,
    )


def _read(place: Placement, rng: np.random.Generator) -> dict[str, float]:
    """Return a placement as tape and gauge say it, millimetres and degrees."""
    lengths = {
        key: 1e3 * (getattr(place, key) + TAPE * rng.standard_normal())
        for key in ("offset", "forward", "height")
    }
    angles = {
        key: math.degrees(getattr(place, key) + GAUGE * rng.standard_normal())
        for key in ("yaw", "pitch", "roll")
    }
    return lengths | angles
