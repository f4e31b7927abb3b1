"""The budget's chain against the whole measurement, simulated from pixels with other code.

Points of every target are projected through the true camera, poses come from the bench's PnP,
the towers are tied by the bench's registration, the wheel's axis is the singular vector of the
mean rotation: nothing of the budget's own linearisation is in it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from bench.budget.budget import Setting, chain_of, setting_of
from bench.budget.chain import Chain, common_axis
from bench.budget.inputs import CONTRIBUTIONS
from bench.budget.propagation import first_order
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.vehicle_angles import WheelState, quantities, vehicle_values
from bench.registration.bar_views import glimpses
from bench.registration.fit import register
from bench.registration.model import Unknowns
from bench.registration.plan import plan_rows
from bench.registration.rank import shared_covariance
from bench.registration.sights import Cameras, Side, Sight, Step
from bench.scene.bar import BarPose
from bench.scene.load import load_bay
from bench.scene.model import Bay, Tower
from bench.sighting.map_ratio import MapRatio
from bench.sighting.prediction import Predictor
from bench.sighting.ratio_grid import ratio_grid
from bench.solve.response import target_points
from bench.targets.target import Target
from bench.typing import Array

SIGMA_PX = 0.05
TURNS = tuple(math.radians(t) for t in (-50.0, 50.0))
POSES = tuple(
    BarPose(3.0, height=0.5, heading=math.radians(h), turn=t)
    for h in (0.0, 15.0, -15.0)
    for t in TURNS
)
LEVEL = np.diag([1e-4, 1e-4]) ** 2


@pytest.fixture(scope="module")
def bay() -> Bay:
    return load_bay()


@pytest.fixture(scope="module")
def setting(bay: Bay) -> Setting:
    return setting_of(bay, Predictor("corner", SIGMA_PX, "as given"), POSES, LEVEL)


@pytest.fixture(scope="module")
def chain(bay: Bay, setting: Setting) -> Chain:
    return chain_of(setting, bay.vehicles[1], bay.stations[0])


@dataclass
class World:
    """What is true, where it differs from what is assumed."""

    cameras: dict[str, Camera] = field(default_factory=dict)
    scale: float = 0.0
    aspect: float = 0.0
    twist: float = 0.0  # of every wheel's target, metres at the plate's corners
    turned: Array = field(default_factory=lambda: np.zeros(3))  # of the left tower, since
    rng: np.random.Generator | None = None
    # of a corner, to the registration; large where systematic errors alone are studied, so that
    # its robust loss doesn't start to doubt
    claimed_px: float = 1.0

    def pixels(self, tower: Tower, target: Target, T_bay_target: Pose, twist: float) -> Array:
        points = target_points(target) * (1.0 + self.scale)
        points = points * (1.0 - 0.5 * self.aspect, 1.0 + 0.5 * self.aspect, 1.0)
        half = 0.5 * target.drawing.width, 0.5 * target.drawing.height
        points[:, 2] += twist * points[:, 0] / half[0] * points[:, 1] / half[1]
        T = tower.T_bay_camera.inverse() @ T_bay_target
        found = project(points, T, self.cameras.get(tower.name, tower.camera))
        return found if self.rng is None else found + SIGMA_PX * self.rng.normal(size=found.shape)


def measured(bay: Bay, chain: Chain, world: World) -> Array:
    """Return the measurands, degrees, as the whole measurement gives them."""
    left, right = chain.towers
    cameras = Cameras(left.camera, right.camera)

    def sight(tower: Tower, end: str, target: Target, T: Pose, twist: float = 0.0) -> Sight:
        side: Side = "left" if tower is left or tower.name == left.name else "right"
        pixels = world.pixels(tower, target, T, twist)
        return Sight(side, end, target_points(target), pixels, world.claimed_px)  # type: ignore[arg-type]

    bar = bay.bar
    steps = []
    for k, pose in enumerate(POSES):
        mounts = {"A": bar.T_bar_a, "B": bar.T_bar_b}
        seen = [
            sight(
                left if g.tower == "left" else right,
                g.end,
                bar.target(g.end),
                pose.T_bay_bar @ mounts[g.end],
            )
            for g in glimpses(bay, pose)
        ]
        steps.append(Step(str(k), tuple(seen)))
    u = bar.length_uncertainty
    observed = None
    if u is not None:
        noise = 0.0 if world.rng is None else u * world.rng.normal()
        observed = (bar.length + noise, u)
    T_left_bay = left.T_bay_camera.inverse()
    # from the truth: the closed form, which would find it, takes most of the time
    start = Unknowns(
        T_left_bay @ right.T_bay_camera,
        bar.T_a_b,
        tuple(T_left_bay @ pose.T_bay_bar @ bar.T_bar_a for pose in POSES),
    )
    tied = register(steps, cameras, bar.T_a_b, observed, start)
    T_bay_left = left.T_bay_camera
    # level from the bar, which lies level: the slope of the line from end to end, taken off
    slopes = []
    for T_left_a in tied.unknowns.T_left_a:
        line = T_bay_left.rotation @ T_left_a.rotation @ tied.unknowns.T_a_b.translation
        slopes.append(math.atan(line[2] / line[1]))
    upright = exp_rotvec(np.array([-float(np.mean(slopes)), 0.0, 0.0]))
    if np.any(world.turned):
        turn = Pose(exp_rotvec(world.turned), np.zeros(3))
        eye = left.T_bay_camera
        now = Pose(turn.rotation @ eye.rotation, eye.translation)
        left = replace(left, placement=left.placement)
        object.__setattr__(left, "T_bay_camera", now)
    axes, centres = [], []
    for view in chain.views:
        tower = (left, right)[view.tower]
        into = T_bay_left if view.tower == 0 else T_bay_left @ tied.T_left_right
        poses = [
            into @ sight(tower, "A", bay.target, r.T_bay_target, world.twist).pose(cameras)
            for r in (*view.rolled, view.rest)
        ]
        mean = np.mean([p.rotation for p in poses[:-1]], axis=0)
        in_target = np.linalg.svd(mean)[2][0]
        truth = view.rest.T_bay_target
        outward = np.array([0.0, 1.0 if view.tower == 0 else -1.0, 0.0])
        in_target *= np.sign(in_target @ truth.rotation.T @ outward)
        to_centre = truth.rotation.T @ (view.wheel.centre - truth.translation)
        axes.append(upright @ poses[-1].rotation @ in_target)
        centres.append(upright @ (poses[-1] @ to_centre))
    return angles(chain, axes, centres)


def angles(chain: Chain, axes: Sequence[Array], centres: Sequence[Array]) -> Array:
    """Return the measurands, degrees, by the bench's one definition of wheel angles."""
    wheels = [
        WheelState(v.wheel.axle, v.wheel.side, axis, centre)
        for v, axis, centre in zip(chain.views, axes, centres, strict=True)
    ]
    values = vehicle_values(wheels, np.array([0.0, 0.0, 1.0]))
    known = quantities(chain.axles)
    kept = [q for q, k in enumerate(known) if k.unit == "rad"]
    names = [(known[q].kind, known[q].axle, known[q].side, known[q].reference) for q in kept]
    assert names == [(m.kind, m.axle, m.side, m.reference) for m in chain.measurands]
    return np.degrees(values[kept])


def test_truth_has_no_error(bay: Bay, chain: Chain) -> None:
    mean = chain.causes.inputs.mean[None]
    # 1e-13 of rounding, in degrees; the simulated chain stops its fits at 1e-8 px or so
    assert np.abs(chain(mean)).max() < 1e-9
    assert np.abs(measured(bay, chain, World())).max() < 1e-5


def _row(chain: Chain, name: str, index: int, value: float) -> Array:
    """Return one draw where input `index` of those called `name` has a value."""
    row = chain.causes.inputs.mean.copy()
    at = 0
    for source in chain.causes.inputs.sources:
        for k in range(source.size):
            if source.name == name:
                if index == 0:
                    row[at + k] = value
                    return row[None]
                index -= 1
        at += source.size
    raise AssertionError(name)


def _scaled(tower: Tower, **factors: float) -> dict[str, Camera]:
    camera = tower.camera
    changed = {key: getattr(camera, key) + value for key, value in factors.items()}
    return {tower.name: replace(camera, **changed)}


@pytest.mark.parametrize(
    ("cause", "index", "value"),
    [
        ("intrinsics", 0, 1e-3),  # left focal length
        ("intrinsics", 2, 2.0),  # left principal point across
        ("intrinsics", 8, 2.0),  # right principal point down
        ("intrinsics", 4, 1.0),  # left distortion at the corner
        ("print scale", 1, 1e-3),
        ("tower movement", 2, 1e-3),  # left tower about the vertical
        ("tower movement", 0, 1e-3),
    ],
)
def test_one_cause_alone_does_in_the_budget_what_it_does_in_the_whole_measurement(
    bay: Bay, chain: Chain, cause: str, index: int, value: float
) -> None:
    left, right = chain.towers
    f = left.camera.fx
    corner = math.hypot(left.camera.width / f, left.camera.height / left.camera.fy) / 2.0
    k1, *others = left.camera.distortion
    world = {
        ("intrinsics", 0): World(_scaled(left, fx=value * f, fy=value * left.camera.fy)),
        ("intrinsics", 2): World(_scaled(left, cx=value)),
        ("intrinsics", 8): World(_scaled(right, cy=value)),
        ("intrinsics", 4): World(
            {left.name: replace(left.camera, distortion=(k1 + value / (f * corner**3), *others))}
        ),
        ("print scale", 1): World(aspect=value),
        ("tower movement", 2): World(turned=np.array([0.0, 0.0, value])),
        ("tower movement", 0): World(turned=np.array([value, 0.0, 0.0])),
    }[cause, index]
    expected = measured(bay, chain, world)
    # a camera's causes are counted in standard deviations
    terms, point = bay.budget, bay.budget.principal_point
    sizes = {0: terms.focal, 2: point, 8: point, 4: terms.distortion}
    size = sizes[index] if cause == "intrinsics" else 1.0
    found = chain(_row(chain, cause, index, value / size))[0]
    # first order in the poses: what is left is of second order, the change's square over the
    # tilt (some tenths of a radian), a few per cent for changes of 0.02 to 0.06 deg
    assert np.abs(expected).max() > 1e-3
    assert np.abs(found - expected).max() < 0.05 * np.abs(expected).max()


def test_a_scale_that_all_targets_share_changes_no_angle_unless_the_bar_is_calibrated(
    bay: Bay, chain: Chain
) -> None:
    # the bar's targets have it too: the towers' distance scales along with all else
    loose = replace(bay, bar=replace(bay.bar, length_uncertainty=None))
    predictor = Predictor("corner", SIGMA_PX, "as given")
    other = chain_of(setting_of(loose, predictor, POSES, LEVEL), bay.vehicles[1], bay.stations[0])
    assert np.abs(measured(loose, other, World(scale=1e-3))).max() < 1e-6
    assert np.abs(other(_row(other, "print scale", 0, 1e-3))).max() < 1e-6
    # a calibrated length contradicts the scale, and the towers' tie is torn between both
    assert np.abs(chain(_row(chain, "print scale", 0, 1e-3))).max() > 1e-4


@pytest.mark.slow
def test_noise_alone_scatters_the_whole_measurement_as_first_order_says(
    bay: Bay, chain: Chain
) -> None:
    # only what noise in the pictures makes: poses at rest, poses of the rolling wheel (their
    # part of run-out), registration
    quiet = dict.fromkeys(("flatness", "print_scale", "print_aspect", "focal", "aspect"), 0.0)
    quiet |= dict.fromkeys(("principal_point", "distortion", "bearing_play", "mount_play"), 0.0)
    quiet |= dict.fromkeys(("mount_centring", "tower_turn", "tower_shift", "operator"), 0.0)
    quiet |= dict.fromkeys(("temperature", "temperature_in_registration"), 0.0)
    quiet |= {"temperature_from_calibration": 0.0}
    calm = replace(bay, budget=replace(bay.budget, temperature_across=0.0, **quiet))
    predictor = Predictor("corner", SIGMA_PX, "as given")
    alone = chain_of(
        setting_of(calm, predictor, POSES, np.zeros((2, 2))), bay.vehicles[1], bay.stations[0]
    )
    first = first_order(alone, alone.causes.inputs)
    rng = np.random.default_rng(5)
    n = 80
    world = World(rng=rng, claimed_px=SIGMA_PX)
    found = np.array([measured(bay, alone, world) for _ in range(n)])
    # The simulated level is taken from the bar and has its noise, which this budget has as
    # `level`: camber is left out. A standard deviation of n draws errs by 1/√(2n), 6 %; 3.3 of
    # these for each of eight measurands is one false alarm in 100.
    toe = [q for q, m in enumerate(alone.measurands) if m.kind != "camber"]
    ratio = found.std(axis=0, ddof=1)[toe] / first.sigma[toe]
    assert np.abs(ratio - 1.0).max() < 3.3 / math.sqrt(2 * n)
    assert np.abs(found.mean(axis=0)[toe] / first.sigma[toe]).max() < 3.3 / math.sqrt(n)


def test_noise_is_scaled_by_what_a_map_measured(bay: Bay, setting: Setting) -> None:
    # a map whose pipeline errs twice the bound in rotation, three times along the line of sight
    ranges, tilts = np.array([1.0, 30.0]), np.array([0.0, 1.5])
    grid = ratio_grid(
        ranges,
        tilts,
        np.broadcast_to([2.0, 3.0, 1.0], (2, 2, 3)).copy(),
        np.ones((2, 2), dtype=np.bool_),
    )
    ratio = MapRatio(grid, "run", "pipeline", "corner", 100)
    scaled = replace(setting, predictor=Predictor("corner", SIGMA_PX, "as given", ratio))
    for one, other in zip(
        chain_of(setting, bay.vehicles[0], bay.stations[0]).views,
        chain_of(scaled, bay.vehicles[0], bay.stations[0]).views,
        strict=True,
    ):
        plain, more = one.rest.covariance, other.rest.covariance
        assert more[:3, :3] == pytest.approx(4.0 * plain[:3, :3], rel=1e-9)
        sight = one.rest.T_camera_target.translation
        along = sight / np.linalg.norm(sight)
        assert along @ more[3:, 3:] @ along == pytest.approx(9.0 * along @ plain[3:, 3:] @ along)
        assert other.rest.measured


def test_the_registration_is_as_uncertain_as_its_rehearsal_says(
    bay: Bay, setting: Setting
) -> None:
    shared = shared_covariance(plan_rows(bay, POSES, SIGMA_PX))
    assert shared is not None
    expected = shared[:6, :6]
    sigma = np.sqrt(np.diag(expected))
    difference = (setting.registration.covariance - expected) / np.outer(sigma, sigma)
    assert np.abs(difference).max() < 1e-6


def test_contributions_add_up_in_quadrature(chain: Chain) -> None:
    first = first_order(chain, chain.causes.inputs)
    assert set(first.contributions) == set(CONTRIBUTIONS)
    total = np.sum([part**2 for part in first.contributions.values()], axis=0)
    assert first.sigma**2 == pytest.approx(total, rel=1e-9)


def test_registration_turns_both_wheels_of_an_axle_against_each_other(chain: Chain) -> None:
    # A turn of the right frame about the vertical shows in full in total toe; the centre line
    # takes half of it, so that each wheel of an axle has half, and the thrust angle none.
    first = first_order(chain, chain.causes.inputs)
    part = first.contributions["registration"]
    at = {m.name: part[q] for q, m in enumerate(chain.measurands)}
    assert at["rear left toe"] == pytest.approx(at["rear right toe"], rel=0.02)
    assert at["rear total toe"] == pytest.approx(2.0 * at["rear left toe"], rel=0.02)
    assert at["thrust"] < 0.02 * at["rear total toe"]
    # the left frame is the reference: its wheels' camber doesn't depend on the registration
    assert at["front left camber"] < 0.02 * at["front right camber"]


def test_the_common_axis_is_that_of_the_mean_rotations_singular_vector() -> None:
    rng = np.random.default_rng(1)
    axis = np.array([0.2, 0.9, -0.3]) / np.linalg.norm([0.2, 0.9, -0.3])
    for _ in range(5):
        rotations = [
            exp_rotvec(axis * a) @ exp_rotvec(1e-3 * rng.normal(size=3)) for a in (-0.5, 0.0, 0.6)
        ]
        expected = np.linalg.svd(np.mean(rotations, axis=0))[2][0]
        found = common_axis([r[None] for r in rotations], axis)[0]
        assert found == pytest.approx(expected * np.sign(expected @ axis), abs=1e-9)
