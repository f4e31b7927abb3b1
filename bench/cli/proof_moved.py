"""`sightbench proof moved`: tell whether a tower moved since it was registered."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.measured import LeftCalibrationOption, RightCalibrationOption, parts_of, site_of
from bench.cli.options import (
    BayArgument,
    CornerSigmaOption,
    OutOption,
    RuleOption,
    TableArgument,
    option,
    quantity_option,
    ruled,
)
from bench.cli.origin import origin_of
from bench.cli.saying import say, say_written
from bench.errors import ConfigError
from bench.proof.mark import Mark
from bench.scene.fields import (
    ERROR_ANGLE,
    ERROR_LENGTH,
    FLOOR_DISTANCE,
    FLOOR_HEIGHT,
    FLOOR_OFFSET,
)
from bench.tables import Row, numbers, read_table, refusal, texts
from bench.units import shown

if TYPE_CHECKING:
    from bench.geometry.pose import Pose
    from bench.proof.moved import MovedPlan
    from bench.scene.model import Bay, Tower

DEFAULT_OUT = Path("sightbench-proof-moved")
MOVED, UNCLEAR = 1, 3
# The response to a move is linear about the mark: a tenth of the nearest range, as in the budget,
# and of a radian. Poses of another frame are metres or a quarter turn away.
MOST_OFF, MOST_TURN_DEG = 0.25, 6.0

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Look at one target on a fixed mark again: has a tower moved since registration?",
)
D = Mark()
DistanceOption = Annotated[
    float | None,
    quantity_option("Of the target from the tower line.", FLOOR_DISTANCE, f"{D.distance:g} m"),
]
OffsetOption = Annotated[
    float | None,
    quantity_option(
        "From the centre line, positive to the vehicle's left.", FLOOR_OFFSET, f"{D.offset:g} m"
    ),
]
HeightOption = Annotated[
    float | None,
    quantity_option("Of its centre above the floor.", FLOOR_HEIGHT, f"{D.height:g} m"),
]
PlaceOption = Annotated[
    float | None,
    quantity_option(
        "Standard uncertainty of putting it back, along each axis; 0 m where it stays.",
        ERROR_LENGTH,
        f"{1e3 * D.place_sigma:g} mm",
    ),
]
PlaceTurnOption = Annotated[
    float | None,
    quantity_option(
        "The same about each axis.", ERROR_ANGLE, f"{math.degrees(D.turn_sigma):g} deg"
    ),
]
PowerOption = Annotated[float, option("RATE", "Of finding the move.")]
AlarmOption = Annotated[
    float, option("RATE", "Of false alarms, for both towers together.", min=1e-6, max=0.5)
]


@app.command("plan")
def plan_command(
    bay: BayArgument = None,
    distance: DistanceOption = None,
    offset: OffsetOption = None,
    height: HeightOption = None,
    put_back: PlaceOption = None,
    put_back_turn: PlaceTurnOption = None,
    pictures: Annotated[int, typer.Option(min=1, max=10_000, help="Each time.")] = 10,
    power: PowerOption = 0.8,
    false_alarms: AlarmOption = 0.05,
    corner_sigma: CornerSigmaOption = None,
    left_calibration: LeftCalibrationOption = None,
    right_calibration: RightCalibrationOption = None,
    out: OutOption = DEFAULT_OUT,
) -> None:
    """Say how small a move of each tower the check will find.

    A target like the wheels' is put on a mark on the floor, facing the towers, where both see it:
    at registration, and again now. The smallest detectable move is the one that a chi-square test
    of the six numbers of its pose finds with the chance --power. Fill in moved-readings.csv: a row
    a picture with the pose of the target in the camera, rotation vector in degrees, place in mm.

    For instance:

      sightbench proof moved plan my-bay.toml --distance "2.5 m" --pictures 20
    """
    from bench.proof.files import write_moved_readings, write_proof
    from bench.proof.moved_words import plan_table, plan_words

    site, measured = site_of(bay, None, None, left_calibration, right_calibration)
    origin = origin_of(site, parts=parts_of(site, measured))
    mark = _mark(site, distance, offset, height, put_back, put_back_turn)
    plans = _plans(site, mark, corner_sigma, [(pictures, pictures)] * 2, false_alarms)
    say(plan_words(plans, power, false_alarms))
    say_written(out, write_moved_readings(out, plans, pictures))
    content = {"power": power, "false_alarms": false_alarms, "pictures": pictures}
    table = plan_table(plans, power)
    say_written(out, write_proof(out, "moved-plan", table, content, origin))


@app.command("evaluate")
def evaluate_command(
    table: TableArgument,
    bay: BayArgument = None,
    distance: DistanceOption = None,
    offset: OffsetOption = None,
    height: HeightOption = None,
    put_back: PlaceOption = None,
    put_back_turn: PlaceTurnOption = None,
    power: PowerOption = 0.8,
    false_alarms: AlarmOption = 0.05,
    corner_sigma: CornerSigmaOption = None,
    left_calibration: LeftCalibrationOption = None,
    right_calibration: RightCalibrationOption = None,
    rule: RuleOption = None,
    out: OutOption = DEFAULT_OUT,
) -> int:
    """Say from poses at registration and now whether a tower has moved.

    TABLE has the columns tower, when (registration or now), rx_deg, ry_deg, rz_deg (rotation
    vector of the target in the camera), x_mm, y_mm, z_mm. The camera's frame is x right, y down,
    z forward; the target's own axes may lie any way, the same in all rows, its origin at the
    plate's middle. Two pictures a time show their own scatter; where it refutes the predicted
    one, the larger counts.

    Ends with 0 where no tower moved, 1 where one did, 3 where both see the same change: then the
    target was rather put back elsewhere.
    """
    from bench.proof.files import write_proof
    from bench.proof.moved import alike, evaluate_moved
    from bench.proof.moved_words import ALIKE, alike_words, angle_words, result_table, result_words
    from bench.scene.tower_pair import watching_pair

    site, measured = site_of(bay, None, None, left_calibration, right_calibration)
    site = ruled(site, rule)
    origin = origin_of(site, parts=parts_of(site, measured))
    mark = _mark(site, distance, offset, height, put_back, put_back_turn)
    towers = watching_pair(site)
    poses = _poses(table, towers, mark)
    taken = [(len(poses[tower.name][0]), len(poses[tower.name][1])) for tower in towers]
    plans = _plans(site, mark, corner_sigma, taken, false_alarms)
    results = [evaluate_moved(plan, *poses[plan.tower]) for plan in plans]
    said = [*result_words(results, power), *angle_words(results, site.tolerance)]
    say([*said, f"Decision rule: {site.tolerance.rule_words}."])
    moved = [result for result in results if result.moved]
    same = alike(results[0], results[1], towers, mark) if len(moved) == 2 else 0.0
    if same > ALIKE:
        typer.echo(alike_words(same))
    frame = result_table(results)
    answer = "unclear" if same > ALIKE else "moved" if moved else "not moved"
    content = {
        "verdict": answer,
        "words": said,
        "decision_rule": site.tolerance.rule_words,
        "false_alarms": false_alarms,
        "power": power,
    }
    say_written(out, write_proof(out, "moved-result", frame, content, origin))
    return {"unclear": UNCLEAR, "moved": MOVED, "not moved": 0}[answer]


def _mark(
    bay: Bay,
    distance: float | None,
    offset: float | None,
    height: float | None,
    put_back: float | None,
    put_back_turn: float | None,
) -> Mark:
    """Return a mark that both towers see: the nearest to the usual place, where none was given.

    Raises
    ------
    ConfigError
        They don't see it where it was given; the nearest place that they see is named.
    """
    from bench.proof.moved import is_seen, nearest_mark
    from bench.scene.tower_pair import watching_pair

    place = {"distance": distance, "offset": offset, "height": height}
    given = place | {"place_sigma": put_back, "turn_sigma": put_back_turn}
    mark = replace(Mark(), **{name: v for name, v in given.items() if v is not None})
    towers = watching_pair(bay)
    if all(is_seen(tower, bay.target, mark) for tower in towers):
        return mark
    near = nearest_mark(towers, bay.target, mark)
    if near is None:
        raise ConfigError(
            f"{bay.path.name}: the towers see a target nowhere together: no mark serves both"
        )
    where = (
        f'--distance "{near.distance:g} m" --offset "{near.offset:g} m" '
        f'--height "{near.height:g} m"'
    )
    if any(value is not None for value in place.values()):
        raise ConfigError(
            f"moved: the towers don't both have the target in their pictures {mark.distance:g} m "
            f"ahead, {mark.offset:g} m off the centre line and {mark.height:g} m high; the "
            f"nearest place that they see is {where}"
        )
    typer.echo(f"the mark is where both towers see it: {where}")
    return near


def _plans(
    bay: Bay,
    mark: Mark,
    corner_sigma: float | None,
    pictures: list[tuple[int, int]],
    false_alarms: float,
) -> list[MovedPlan]:
    from bench.proof.moved import plan_moved
    from bench.scene.tower_pair import watching_pair
    from bench.sighting.prediction import sigma_of_corner

    sigma_px = sigma_of_corner(bay, corner_sigma)
    # shared by two towers, so that both together keep it (Bonferroni)
    return [
        plan_moved(tower, bay.target, mark, sigma_px, n, 0.5 * false_alarms)
        for tower, n in zip(watching_pair(bay), pictures, strict=True)
    ]


def _refuse_frame(row: Row, pose: Pose, tower: Tower, mark: Mark) -> None:
    """Refuse a target that lies elsewhere than its mark: poses of another frame do."""
    import numpy as np

    planned = (tower.T_bay_camera.inverse() @ mark.T_bay_target()).translation
    off = float(np.linalg.norm(pose.translation - planned))
    if off > MOST_OFF:
        x, y, z = 1e3 * planned
        raise row.refusal(
            f"x_mm to z_mm: {1e3 * off:.0f} mm from the mark, which is at ({x:.0f}, {y:.0f}, "
            f"{z:.0f}) in the {tower.name} tower's camera (x right, y down, z forward), limit "
            f"{1e3 * MOST_OFF:.0f}: poses of another frame, or another --distance, --offset or "
            "--height?"
        )


def _poses(
    table: Path, towers: tuple[Tower, Tower], mark: Mark
) -> dict[str, tuple[list[Pose], list[Pose]]]:
    import numpy as np

    from bench.geometry.pose import Pose
    from bench.geometry.rotation import log_rotation
    from bench.proof.files import COLUMNS, TIMES
    from bench.registration.pose_rows import ANY_TURN, IN_A_BAY

    names = [tower.name for tower in towers]
    found: dict[str, tuple[list[Pose], list[Pose]]] = {name: ([], []) for name in names}
    for row in read_table(
        table,
        (
            *texts("tower", "when"),
            *numbers(*COLUMNS[:3], within=ANY_TURN),
            *numbers(*COLUMNS[3:], within=IN_A_BAY),
        ),
    ):
        tower, when = row.texts["tower"], row.texts["when"]
        if tower not in names:
            raise row.refusal(f"tower: {shown(tower)} must be {' or '.join(names)}")
        if when not in TIMES:
            raise row.refusal(f"when: {shown(when)} must be {' or '.join(TIMES)}")
        values = [row.numbers[name] for name in COLUMNS]
        pose = Pose.from_rotvec(np.radians(values[:3]), 1e-3 * np.array(values[3:]))
        _refuse_frame(row, pose, next(t for t in towers if t.name == tower), mark)
        groups = found[tower]
        first = next((group[0] for group in groups if group), pose)
        turned = math.degrees(
            float(np.linalg.norm(log_rotation(first.rotation.T @ pose.rotation)))
        )
        if turned > MOST_TURN_DEG:
            raise row.refusal(
                f"rx_deg to rz_deg: {turned:.0f} deg from the {tower} tower's first row, limit "
                f"{MOST_TURN_DEG:g}: are its axes the same way round?"
            )
        groups[TIMES.index(when)].append(pose)
    for name, groups in found.items():
        for when, group in zip(TIMES, groups, strict=True):
            if not group:
                raise refusal(table, f"no row of the {name} tower with when = {when}")
    return found
