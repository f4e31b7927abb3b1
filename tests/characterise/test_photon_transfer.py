"""The photon transfer curve of simulated sensors, and of the standard's own program."""

import importlib.util
from dataclasses import replace

import cv2
import numpy as np
import pytest

from bench.characterise.levels import levels_of, rounding_square
from bench.characterise.photon_transfer import photon_transfer
from bench.characterise.stack import odd_frame, reduce_stack
from bench.characterise.whiteness import pattern_of, whiteness_of
from bench.errors import PictureError
from bench.imaging.sensor import Sensor, expose
from reports.characterise.sensors import (
    frames_of,
    mean_squares,
    normalised_errors,
    random_stream,
    stacks_of,
)

SENSOR = Sensor(0.6, 5.0, 0.0, 0.005, 16_900.0, 0.06, 10, 6.0)


def stacks_through(change, sensor=SENSOR, levels=(0.9, 0.3), frames=24):
    rng = random_stream("through", change.__name__)
    return [
        reduce_stack(
            str(level),
            np.stack([change(f, rng) for f in frames_of(sensor, level, frames, rng)]),
            sensor.full_scale,
        )
        for level in levels
    ]


def smoothed(frame, rng):
    return np.rint(cv2.GaussianBlur(frame.astype(np.float64), (0, 0), 0.5)).astype(np.uint16)


def banded(frame, rng):
    rows = rng.normal(0.0, 1.0, (len(frame), 1))
    return np.clip(np.rint(frame + rows), 0, 1023).astype(np.uint16)


def flickering(frame, rng):
    return np.rint(6.0 + (frame - 6.0) * rng.normal(1.0, 0.01)).astype(np.uint16)


def unchanged(frame, rng):
    return frame


def check_squares(numbers):
    found = mean_squares(normalised_errors(numbers))
    for name in ("gain", "black level", "dark noise", "saturation"):
        count, square = found[name]
        # the 0.7 to 1.4 of 200; of fewer, what 4 standard deviations √(2/n) add
        slack = 0.0 if count >= 100 else 4.0 * np.sqrt(2.0 / count)
        assert 0.7 - slack < square < 1.4 + slack, (name, count, square)
    return found


def test_eight_sensors_are_measured_within_their_claims():
    check_squares(range(8))


@pytest.mark.slow
def test_two_hundred_sensors_are_measured_within_their_claims():
    found = check_squares(range(200))
    count, held = found["limit holds"]
    # one-sided 95 %; 3 standard deviations of a share
    assert count > 30
    assert held > 0.95 - 3.0 * np.sqrt(0.05 * 0.95 / count)


def test_rounding_takes_what_the_series_says():
    rng = random_stream("rounding")
    for sigma in (0.15, 0.3, 0.5):
        means = rng.uniform(0.0, 1.0, 3000)[:, None]
        read = np.rint(means + sigma * rng.standard_normal((3000, 400)))
        expected = sigma**2 + 1.0 / 12.0 - float(rounding_square(np.array(sigma**2)))
        # 3000 means, each variance known to a few per cent: 1 % of a mean is four of its own
        assert np.mean(np.var(read, axis=1, ddof=1)) == pytest.approx(expected, rel=0.03)


def test_dark_frames_give_black_level_and_dark_noise():
    rng = random_stream("dark")
    dark = np.stack([expose(np.zeros((60, 60)), SENSOR, rng) for _ in range(20)])
    bright = frames_of(SENSOR, 0.9, 20, rng)
    stacks = [reduce_stack(n, g, 1023) for n, g in (("bright", bright), ("dark", dark))]
    found = photon_transfer(stacks, dark=(1,))
    assert abs(found.black.value - 6.0) < 4.0 * found.black.u
    # the sensor's 0.3 DN of dark noise is below the 0.6 that rounding leaves a variance of
    assert found.dark_noise.at_most or abs(found.dark_noise.value - 5.0) < 4 * found.dark_noise.u


@pytest.mark.parametrize("gamma", [1.4, 1.8, 2.4])
def test_a_gamma_left_unsaid_is_found_and_measured(gamma):
    # about 2, shot noise is even and looks like a dark noise far above the sensor's 5 e-
    found = photon_transfer(stacks_through(unchanged, replace(SENSOR, gamma=gamma)), most_dark=20)
    assert found.bent
    assert found.gain is None
    assert abs(found.gamma.value - gamma) < 4.0 * found.gamma.u
    assert abs(found.black.value - 6.0) < 4.0 * found.black.u


def test_noise_that_neighbours_share_is_found_and_named():
    assert not whiteness_of(stacks_through(unchanged)).correlated
    alike = whiteness_of(stacks_through(smoothed))
    assert alike.correlated
    assert "alike" in alike.words
    assert alike.inflation > 1.2
    rows = whiteness_of(stacks_through(banded))
    assert rows.banded
    assert "rows" in rows.words
    assert rows.model() is None


def test_shared_noise_is_measured_as_a_bay_file_has_it():
    said = ((1.0, 0.25), (0.2, 0.05))
    found = whiteness_of(stacks_through(unchanged, replace(SENSOR, noise_correlation=said)))
    # 4 standard deviations of a coefficient; 0.01 of what dividing by measured spreads leaves
    np.testing.assert_allclose(found.model(), said, atol=4.0 * found.u + 0.01)


def test_flicker_is_taken_out_and_told():
    steady, flickers = stacks_through(unchanged), stacks_through(flickering)
    assert all(stack.flicker == 0.0 and stack.motion_px == 0.0 for stack in steady)
    # 23 degrees of freedom: a standard deviation within 15 %, four times
    assert flickers[0].flicker == pytest.approx(0.01, rel=0.6)
    found = photon_transfer(flickers)
    assert abs(found.gain.value - 0.06) < 4.0 * found.gain.u + 0.02 * 0.06


def test_drift_and_flicker_are_told_apart():
    rng = random_stream("drift")
    frames = frames_of(SENSOR, 0.9, 24, rng).astype(np.float64)
    slow = np.linspace(0.98, 1.02, 24)[:, None, None]
    drifts = reduce_stack("drifts", np.rint(6.0 + (frames - 6.0) * slow).astype(int), 1023)
    assert drifts.flicker == 0.0
    assert drifts.drift == pytest.approx(0.04, rel=0.05)
    assert stacks_through(flickering)[0].drift == 0.0


def test_series_of_another_gain_are_named():
    other = replace(SENSOR, gain=0.08, full_well=SENSOR.full_well * 0.75)
    stacks = [stacks_through(unchanged, s, (0.9, 0.3))[k] for k, s in enumerate((SENSOR, other))]
    assert photon_transfer(stacks).apart
    assert not photon_transfer(stacks_through(unchanged)).apart


def test_blocks_of_a_compressed_picture_are_found_wherever_it_is_cut():
    rng = random_stream("jpeg")
    coded = [
        cv2.imdecode(cv2.imencode(".jpg", f, [cv2.IMWRITE_JPEG_QUALITY, 80])[1], 0)[5:, 3:]
        for f in rng.normal(120.0, 6.0, (16, 96, 96)).round().astype(np.uint8)
    ]
    found = whiteness_of([reduce_stack("jpeg", np.stack(coded), 255, (3, 5))])
    assert found.blocked
    assert "JPEG" in found.words


def test_bits_that_are_shifted_up_are_seen_and_levels_that_rounding_hides_left_out():
    frames = frames_of(SENSOR, 0.9, 24, random_stream("shifted")) * 16
    stack = reduce_stack("shifted", frames, 65535)
    assert stack.step == 16
    quiet = replace(SENSOR, gain=0.006, full_well=1000 / 0.006)  # 2.1 DN of noise, rounded to 4
    hidden = reduce_stack("q", frames_of(quiet, 0.9, 24, random_stream("q")) // 4 * 4, 1023)
    assert hidden.step == 4
    assert not levels_of([hidden]).usable.any()


def test_a_frame_of_another_scene_is_found_among_repeats():
    frames = frames_of(SENSOR, 0.9, 8, random_stream("odd"))
    assert odd_frame(frames) is None
    frames[5] = np.roll(frames[5], 2, axis=1)
    assert odd_frame(frames) == 5


def test_a_scene_that_moves_is_told():
    rng = random_stream("moved")
    x = np.arange(80)[None, :] + np.zeros((40, 1))
    shots = []
    for k in range(20):
        wave = 0.4 + 0.3 * np.sin(0.3 * (x + 0.02 * k))
        shots.append(expose(wave * SENSOR.full_well, SENSOR, rng))
    stack = reduce_stack("moved", np.stack(shots), 1023)
    # 0.38 px; its derivatives are those of a mean picture that moved, and noisy
    assert stack.creep_px == pytest.approx(0.02 * 19, rel=0.2)


def test_fixed_pattern_is_told_from_temporal_noise():
    rng = random_stream("pattern")
    pixels = rng.normal(1.0, 0.02, (56, 56))
    electrons = np.full((56, 56), 0.8) * SENSOR.full_well * pixels
    stack = reduce_stack(
        "pattern", np.stack([expose(electrons, SENSOR, rng) for _ in range(20)]), 1023
    )
    share, u = pattern_of([stack], whiteness_of([stack]))
    assert abs(share - 0.02) < 4.0 * max(u, 0.0005)


def test_too_little_is_refused():
    with pytest.raises(PictureError, match="noise needs"):
        reduce_stack("few", np.zeros((2, 30, 30), np.uint8), 255)
    hidden = Sensor(0.6, 1.0, 0.0, 0.005, 1e6, 2.5e-4, 8, 2.0)
    with pytest.raises(PictureError, match="rounding"):
        photon_transfer(stacks_of(hidden, "hidden"))


@pytest.mark.skipif(
    any(importlib.util.find_spec(name) is None for name in ("emva1288", "lxml")),
    reason="emva1288 (PyPI, 1.0.2) isn't installed",
)
def test_the_reference_program_finds_the_same_gain_and_dark_noise(monkeypatch):
    # emva1288 1.0.2, the reference implementation of EMVA 1288 release 4.0, on the same frames of
    # even light: its gain is an unweighted line through the origin to 70 % of saturation
    # numpy 2 dropped what it calls
    monkeypatch.setattr(np, "asfarray", lambda v: np.asarray(v, dtype=float), raising=False)
    from emva1288.process.results import Results1288

    sensor = Sensor(0.6, 20.0, 0.0, 0.005, 16_900.0, 0.06, 10, 8.0)
    rng = random_stream("reference")
    shares = np.linspace(0.0, 1.2, 25)
    x = np.linspace(0.98, 1.02, 100)[None, :] * np.ones((100, 1))
    shots = [
        np.stack([expose(s * x * sensor.full_well, sensor, rng) for _ in range(8)]) for s in shares
    ]
    mean = np.array([g.mean() for g in shots])
    variance = np.array([np.mean(np.var(g, axis=0, ddof=1)) for g in shots])
    photons = shares * sensor.full_well / sensor.quantum_efficiency
    temporal = {
        "u_p": photons,
        "u_y": mean,
        "s2_y": variance,
        "u_ydark": np.full(len(mean), mean[0]),
        "s2_ydark": np.full(len(mean), variance[0]),
        "texp": np.full(len(mean), 1.0),
    }
    theirs = Results1288({"temporal": temporal, "spatial": {}}, loglevel=50)
    stacks = [reduce_stack(str(s), g, 1023) for s, g in zip(shares, shots, strict=True)]
    ours = photon_transfer(stacks, dark=(0,))
    # theirs scatters more, being unweighted: 10 levels of 70,000 degrees of freedom, 0.5 % each
    assert pytest.approx(ours.gain.value, abs=4.0 * ours.gain.u + 0.01 * 0.06) == theirs.K
    their_dark = np.sqrt(variance[0] - 1.0 / 12.0) / theirs.K  # 4.0, equation for σ_d
    assert ours.dark_noise.value == pytest.approx(their_dark, rel=0.03)
    assert ours.dark_noise.value == pytest.approx(20.0, abs=4.0 * ours.dark_noise.u)
