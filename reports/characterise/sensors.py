"""Simulated sensors over the range of data sheets, and what their frames say of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

import numpy as np

from bench.characterise.photon_transfer import photon_transfer
from bench.characterise.stack import Stack, reduce_stack
from bench.digest import key_digest
from bench.errors import PictureError
from bench.imaging.sensor import Sensor, expose
from bench.typing import Array

SEED, FRAMES, SIDE = 11, 24, 64
EXPOSURES = (0.9, 0.3, 1.5)  # of full well; the last one saturates


def random_stream(*key: object) -> np.random.Generator:
    """Return the random numbers of a case by its key."""
    return np.random.default_rng(
        np.random.SeedSequence([SEED, key_digest(" ".join(map(str, key)))])
    )


def sensor_of(number: int) -> Sensor:
    """Return a sensor: gain 0.005 to 0.2 DN/e-, dark noise 1 to 60 e-, 8, 10 or 12 bit."""
    rng = random_stream("sensor", number)
    gain = float(np.exp(rng.uniform(np.log(0.005), np.log(0.2))))
    dark = float(np.exp(rng.uniform(0.0, np.log(60.0))))
    bits, black = int(rng.choice([8, 10, 12])), float(rng.uniform(2.0, 16.0))
    black = max(black, 5.0 * gain * dark)  # as makers set it, lest noise be cut off at 0
    full = (2**bits - 1 - black) / gain
    return Sensor(0.6, dark, 0.0, 0.005, full, gain, bits, black)


def checks(level: float) -> Array:
    """Return black and white squares under light that falls off, fractions of full well."""
    y, x = np.mgrid[0:SIDE, 0:SIDE] / SIDE - 0.5
    reflectance = np.where((x // 0.25 + y // 0.25) % 2 == 0, 0.85, 0.05)
    return np.asarray(reflectance * level * (1.0 + 0.05 * x - 0.03 * y))


def frames_of(sensor: Sensor, level: float, frames: int, rng: np.random.Generator) -> Array:
    """Return repeats (N, H, W) of the squares."""
    electrons = checks(level) * sensor.full_well
    return np.stack([expose(electrons, sensor, rng) for _ in range(frames)])


def stacks_of(sensor: Sensor, *key: object) -> list[Stack]:
    """Return the exposures of a sensor, reduced."""
    rng = random_stream("frames", *key)
    return [
        reduce_stack(f"level {k}", frames_of(sensor, k, FRAMES, rng), sensor.full_scale)
        for k in EXPOSURES
    ]


def normalised_errors(numbers: Iterable[int]) -> Iterator[tuple[str, float]]:
    """Yield what each parameter of each sensor is off by, over its standard uncertainty.

    Of a dark noise with an upper limit, "limit holds" is 1 or 0; of a sensor of which nothing can
    be said, "refused" is 1.
    """
    for number in numbers:
        sensor = sensor_of(number)
        try:
            found = photon_transfer(stacks_of(sensor, number))
        except PictureError:
            yield "refused", 1.0
            continue
        truth = {
            "gain": (found.gain, sensor.system_gain),
            "black level": (found.black, sensor.black_level),
            "dark noise": (found.dark_noise, sensor.dark_noise),
            "saturation": (found.saturation, sensor.full_well),
        }
        for name, (number_found, value) in truth.items():
            if number_found is None:
                continue
            if number_found.at_most:
                yield "limit holds", float(value <= number_found.value)
            else:
                yield name, (number_found.value - value) / number_found.u


def mean_squares(errors: Iterable[tuple[str, float]]) -> dict[str, tuple[int, float]]:
    """Return how many errors each parameter has, and their mean square."""
    found = defaultdict(list)
    for name, error in errors:
        found[name].append(error)
    return {name: (len(v), float(np.mean(np.square(v)))) for name, v in sorted(found.items())}
