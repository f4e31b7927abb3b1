"""The shipped bay's budget on the back of an envelope, and the signs of its chain by hand."""

import math

import numpy as np
import pytest

from bench.budget.budget import Setting, chain_of, setting_of
from bench.budget.chain import Chain
from bench.budget.propagation import first_order
from bench.registration.plan import default_sequence
from bench.scene.budget_terms import BudgetTerms
from bench.scene.load import load_bay
from bench.scene.model import Bay
from bench.sighting.prediction import Predictor

LEVEL = np.diag(np.radians([0.004, 0.008]) ** 2)
CAR = 0
SIGMA_PX = 1e-3  # so small that what is found by hand stands alone


@pytest.fixture(scope="module")
def bay() -> Bay:
    return load_bay()


@pytest.fixture(scope="module")
def setting(bay: Bay) -> Setting:
    return setting_of(bay, Predictor("corner", SIGMA_PX, "as given"), default_sequence(bay), LEVEL)


@pytest.fixture(scope="module")
def chain(bay: Bay, setting: Setting) -> Chain:
    return chain_of(setting, bay.vehicles[CAR], bay.stations[0])


@pytest.fixture(scope="module")
def parts(chain: Chain) -> dict[tuple[str, str], float]:
    first = first_order(chain, chain.causes.inputs)
    return {
        (m.name, cause): float(part[q])
        for cause, part in first.contributions.items()
        for q, m in enumerate(chain.measurands)
    }


def deg(radians: float) -> float:
    return math.degrees(radians)


def test_mount_play_is_a_clamp_that_slips_and_a_centre_line_that_is_off(
    bay: Bay, parts: dict[tuple[str, str], float]
) -> None:
    terms, axles = bay.budget or BudgetTerms(), bay.vehicles[CAR].axles
    base = axles[-1].behind - axles[0].behind
    slip = deg(terms.mount_play / math.sqrt(3.0))
    # four targets, each off by the limit over √3: a track's middle by that over √2, the line
    # through two middles by that over the wheelbase
    line = deg(terms.mount_centring / math.sqrt(3.0) / base)
    # first order leaves out products of angles, some degrees of presets: parts in a hundred
    assert parts["front left toe", "mount play"] == pytest.approx(math.hypot(slip, line), rel=0.01)
    assert parts["front left camber", "mount play"] == pytest.approx(slip, rel=0.01)
    assert parts["front total toe", "mount play"] == pytest.approx(math.sqrt(2) * slip, rel=0.01)
    thrust = math.hypot(slip / math.sqrt(2.0), line)
    assert parts["thrust", "mount play"] == pytest.approx(thrust, rel=0.01)
    # from the thrust line the centre line is gone: own slip, and the mean of both rear ones
    rear = math.hypot(slip, slip / math.sqrt(2.0))
    assert parts["front left toe to thrust line", "mount play"] == pytest.approx(rear, rel=0.01)


def test_a_tower_that_turned_takes_its_wheels_and_half_of_the_centre_line(
    bay: Bay, parts: dict[tuple[str, str], float]
) -> None:
    turn = deg((bay.budget or BudgetTerms()).tower_turn)
    at = {name: value for (name, cause), value in parts.items() if cause == "tower movement"}
    # left wheels turn with the left tower, the line through all four with the mean of both
    assert at["front left toe"] == pytest.approx(turn / math.sqrt(2.0), rel=0.01)
    assert at["front total toe"] == pytest.approx(turn * math.sqrt(2.0), rel=0.01)
    assert at["front left camber"] == pytest.approx(turn, rel=0.01)
    assert at["thrust"] < 0.01 * turn


def test_level_operator_and_a_bent_column_by_hand(
    bay: Bay, parts: dict[tuple[str, str], float]
) -> None:
    terms = bay.budget or BudgetTerms()
    assert parts["front left camber", "level"] == pytest.approx(0.004, rel=0.01)
    assert parts["front left toe", "level"] < 1e-5
    assert parts["front left toe", "operator"] == pytest.approx(deg(terms.operator), rel=1e-3)
    # a column h high and d deep, ΔT warmer on one side, bends to a curvature α ΔT / d
    h = bay.towers[0].placement.height
    warm = terms.temperature_across / math.sqrt(3.0)
    bent = deg(terms.column_expansion * warm / terms.column_depth * h)
    # the cameras' and targets' own warming adds a little to it, in quadrature
    assert parts["front left camber", "temperature"] == pytest.approx(bent, rel=0.03)


def test_run_out_is_bearing_play_times_the_root_of_a_symmetric_roll(
    bay: Bay, parts: dict[tuple[str, str], float]
) -> None:
    terms = bay.budget or BudgetTerms()
    # across the axis rolls φ_k are complex numbers z_k = e^{iφ_k}. Seen from the frame of
    # measurement reading k puts the axis at c = z_k a + e_k, a its place on the target, e_k its
    # wobble: a line through points (z_k, c), whose slope a has σ / √(Σ |z_k - mean z|²)
    phases = np.exp(1j * np.array(terms.roll_angles))
    spread = float(np.sum(np.abs(phases - phases.mean()) ** 2))
    expected = deg(terms.bearing_play) / math.sqrt(spread)
    # pictures' noise, some 0.0005 deg, adds to 0.0056 in quadrature: half of one per cent
    assert parts["front left toe", "run-out"] == pytest.approx(expected, rel=0.02)


def test_signs_of_the_chain_are_those_found_by_hand(chain: Chain) -> None:
    # left toe 1, camber 2 deg: (sin 1 cos 2, cos 1 cos 2, -sin 2); the right wheel its mirror
    # image; behind, left toe-out 0.2 and right toe-in 0.4, upright: thrust 0.3 to the left
    axes = np.array(
        [
            (0.0174418, 0.9992386, -0.0348995),
            (0.0174418, -0.9992386, -0.0348995),
            (-0.0034906, 0.9999939, 0.0),
            (0.0069813, -0.9999756, 0.0),
        ]
    )
    centres = np.array([(2.5, 0.75, 0.3), (2.5, -0.75, 0.3), (0, 0.74, 0.3), (0, -0.74, 0.3)])
    none = {("operator", i): np.zeros((1, 2)) for i in range(4)}
    values = chain._angles(axes[None], centres[None], none)[0]
    named = {m.name: v for m, v in zip(chain.measurands, values, strict=True)}
    expected = {
        "front left toe": 1.0,
        "front right toe": 1.0,
        "front left camber": 2.0,
        "front right camber": 2.0,
        "front total toe": 2.0,
        "rear left toe": -0.2,
        "rear right toe": 0.4,
        "thrust": 0.3,
        "front left toe to thrust line": 1.3,
        "front right toe to thrust line": 0.7,
    }
    for name, value in expected.items():
        assert named[name] == pytest.approx(value, abs=2e-5), name
