"""From series of pictures to a camera: statistics, faces, blur, light, then what was held back."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import chain

import numpy as np

from bench.characterise.blur import BlurField, blur_field
from bench.characterise.checks import Check
from bench.characterise.edges import EdgeResponse, edge_responses
from bench.characterise.faces import FaceFit, fit_face
from bench.characterise.flatness import Flatness, flatness_of
from bench.characterise.held_back import (
    RAW,
    held_of,
    picture_checks,
    pipeline_checks,
    repeats_needed,
    residual_map,
)
from bench.characterise.known import WIDE, KnownCamera
from bench.characterise.levels import Levels, levels_of
from bench.characterise.lighting import Lighting, black_of_light, light_claimed
from bench.characterise.photon_transfer import Number, Transfer, photon_transfer
from bench.characterise.shots import NotFoundError, Series, Setup, Shot, check_bits, read_shot
from bench.characterise.spot import Spots, compare_spots
from bench.characterise.stack import Stack
from bench.characterise.whiteness import Whiteness, pattern_of, whiteness_of
from bench.detect.observation import Observation
from bench.errors import GeometryError, PictureError
from bench.geometry.pose import Pose
from bench.imaging.picture import Picture
from bench.imaging.processing import Correlation, Curve
from bench.imaging.sensor import Sensor
from bench.solve.noise import Noise
from bench.typing import Array

HELD_VIEW = 4  # of views, every so many is held back
FACES_A_SERIES = 3
MUCH_DARK = 4.0  # times the data sheet's dark noise, which no setting of a sensor makes
SATURATED = 0.001  # of pixels, beyond which a face isn't fitted
FAILURES = (GeometryError, np.linalg.LinAlgError)
Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class Characterisation:
    """What pictures say of a camera; None or nothing of what they don't.

    Attributes
    ----------
    stacks : list of Stack
        Repeats, flat and dark frames; of these, a response curve undone, `levels`, `transfer` and
        `whiteness`, and fixed `pattern` as a fraction and its uncertainty.
    known : KnownCamera or None
        The camera; None where these pictures can't tell, for which there are `reasons`.
    faces, responses : list of FaceFit, list of (str, EdgeResponse)
        Used for the lens, and of their edges; from them `blur` over the field, `light`, `flatness`
        of the plate and `spots`: which explains them, where the data sheet has an f-number.
    checks : list of Check
        Of what was held back; `residual` is what the camera leaves of the first series of that,
        standard deviations (H, W).
    numbers : dict of str to Number
        All that a camera file says, by its key; `notes` are what else to know.
    """

    stacks: list[Stack]
    levels: Levels | None = None
    transfer: Transfer | None = None
    whiteness: Whiteness | None = None
    pattern: tuple[float, float] = (math.nan, math.nan)
    known: KnownCamera | None = None
    faces: list[FaceFit] = field(default_factory=list)
    responses: list[tuple[str, EdgeResponse]] = field(default_factory=list)
    blur: BlurField | None = None
    light: Lighting | None = None
    flatness: Flatness | None = None
    spots: Spots | None = None
    checks: list[Check] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    numbers: dict[str, Number] = field(default_factory=dict)
    residual: Array | None = None


def characterise(series: Sequence[Series], setup: Setup, progress: Progress) -> Characterisation:
    """Return what series of pictures say.

    Raises
    ------
    PictureError, ConfigError
        A picture can't be read or used.
    """
    total = sum(len(one.paths) for one in series)
    shots: list[Shot] = []
    late: list[Series] = []  # too bright, perhaps: another series may tell where the target stands
    for one in chain(series, late):
        try:
            shots.append(read_shot(one, setup, shots))
        except NotFoundError:
            if one.kind != "repeats" or one in late:
                raise
            late.append(one)
        progress(sum(len(shot.pictures) for shot in shots), total)
    check_bits(shots, setup.imaging.sensor.bit_depth)
    found = _sensor(shots, setup)
    if found.known is None:
        return found
    found = _lens(found, found.known, shots, setup)
    assert found.known is not None
    return _held_back(found, found.known, shots, setup)


def _sensor(every: list[Shot], setup: Setup) -> Characterisation:
    """Return what statistics of frames say; without a camera where they can't."""
    said, shots = setup.imaging.sensor, [s for s in every if s.series.kind != "view"]
    if setup.as_said:
        found = _statistics([shot.stack(said.curve) for shot in shots], shots)
        known = KnownCamera(setup.camera, setup.imaging.optics, said)
        return replace(found, known=known, levels=levels_of(found.stacks))
    stacks = [shot.stack() for shot in shots]
    dark = tuple(k for k, shot in enumerate(shots) if shot.series.kind == "dark")
    curve: Curve | None = None
    gamma: Number | None = None
    try:
        transfer = photon_transfer(stacks, dark, most_dark=MUCH_DARK * said.dark_noise)
        if transfer.black is None and not transfer.bent:
            transfer = photon_transfer(stacks, dark, _black_of_faces(every, transfer, setup))
        if transfer.gamma is not None and transfer.black is not None:
            gamma, black = transfer.gamma, transfer.black
            curve = Curve(gamma.value, black.value, said.full_scale)
            shots = [shot for shot in shots if shot.series.kind != "dark"]
            stacks = [shot.stack(curve) for shot in shots]
            transfer = photon_transfer(stacks, black=black.times(WIDE / said.full_scale))
    except PictureError as error:
        return replace(_statistics(stacks, shots), reasons=[str(error)])
    found = replace(_statistics(stacks, shots), transfer=transfer, levels=levels_of(stacks))
    white = found.whiteness
    assert white is not None
    shared = white.model() if white.correlated else None
    reasons = []
    if (white.correlated or white.blocked) and shared is None:
        reasons.append(f"no bay file says such noise: {RAW}")
    if transfer.apart:
        reasons.append(
            f"noise of {', '.join(transfer.apart)} isn't that of the other series at their grey "
            "values: take all with one camera, at one gain"
        )
    if transfer.black is None:
        reasons.append(
            "the grey value without light can't be told: take the same scene at a second exposure"
            + (
                ", or dark frames, or targets at distances with half the light"
                * (not transfer.bent)
            )
        )
    elif transfer.bent:
        reasons.append(
            "grey values aren't in proportion to light, and no gamma explains them; or series "
            "differ in gain"
        )
    if reasons or transfer.gain is None or transfer.black is None or transfer.dark_noise is None:
        return replace(found, reasons=reasons)
    # a curve's slope where light is full is in proportion to γ, a variance before it to γ²
    bend = 0.0 if gamma is None else 2.0 * gamma.u / gamma.value
    u_noise = math.hypot(transfer.gain.u / transfer.gain.value, bend)
    if shared is not None:
        u_noise *= white.widening
    sensor, numbers = _measured_sensor(transfer, said, gamma, shared, u_noise)
    black = numbers["sensor.black_level"]
    full = sensor.full_well - black.u / sensor.system_gain
    others = [replace(sensor, black_level=sensor.black_level + black.u, full_well=full)]
    if gamma is not None:
        others.append(replace(sensor, gamma=gamma.value + gamma.u))
    known = KnownCamera(setup.camera, setup.imaging.optics, sensor, u_noise, others=tuple(others))
    steps = sorted({stack.step for stack in stacks} - {1})
    shifted = "grey values are multiples of {}: bits shifted up; dark_noise holds their rounding"
    return replace(
        found, known=known, numbers=numbers, notes=[shifted.format(step) for step in steps]
    )


def _statistics(stacks: list[Stack], shots: list[Shot]) -> Characterisation:
    lit = [s for s, shot in zip(stacks, shots, strict=True) if shot.series.kind != "dark"]
    white = whiteness_of(lit)
    return Characterisation(stacks, whiteness=white, pattern=pattern_of(lit, white))


def _black_of_faces(shots: list[Shot], transfer: Transfer, setup: Setup) -> Number | None:
    """Return the grey value without light as faces at several distances tell it."""
    noise, faces = Noise(max(transfer.line[0], 0.1), transfer.line[1], 0.0), []
    for name, picture, pose, _ in _views(shots, held=False):
        seen = Observation(picture, setup.camera, setup.target, setup.imaging.sensor)
        with suppress(*FAILURES):
            faces.append(fit_face(name, seen, pose, noise, ()))
    return black_of_light(faces, setup.camera)


def _measured_sensor(
    transfer: Transfer,
    said: Sensor,
    gamma: Number | None,
    shared: Correlation | None,
    u_noise: float,
) -> tuple[Sensor, dict[str, Number]]:
    gain, black, dark, full = (
        transfer.gain,
        transfer.black,
        transfer.dark_noise,
        transfer.saturation,
    )
    assert gain is not None
    assert black is not None
    assert dark is not None
    scale = 1.0 if gamma is None else said.full_scale / WIDE
    gain, black = replace(gain.times(scale), u=scale * u_noise * gain.value), black.times(scale)
    dark = replace(dark, u=math.hypot(dark.u, u_noise * dark.value))
    if full is None:
        electrons = (said.full_scale - black.value) / gain.value
        full = Number(electrons, electrons * u_noise, "e-", "assumed: white is full")
    if dark.at_most and said.dark_noise <= dark.value:
        source = f"data sheet; measured: {dark.words}"
        dark = Number(said.dark_noise, math.nan, "e-", source)
    sensor = replace(
        said,
        dark_noise=dark.value,
        dark_current=0.0,
        full_well=full.value,
        gain=gain.value,
        black_level=max(black.value, 0.0),
        gamma=None if gamma is None else gamma.value,
        noise_correlation=shared,
    )
    numbers = {
        "sensor.gain": gain,
        "sensor.black_level": black,
        "sensor.dark_noise": dark,
        "sensor.full_well": full,
        "sensor.quantum_efficiency": Number(said.quantum_efficiency, math.nan, "", "data sheet"),
    }
    return sensor, numbers if gamma is None else numbers | {"sensor.gamma": gamma}


def _lens(
    found: Characterisation, known: KnownCamera, shots: list[Shot], setup: Setup
) -> Characterisation:
    """Return it with faces, blur and light of pictures that aren't held back."""
    taken: list[tuple[Picture, FaceFit, bool]] = []
    responses, asked = [], []
    for name, picture, pose, alone in _views(shots, held=False):
        with suppress(*FAILURES):
            face = known.fitted(name, picture, setup.target, pose)
            seen = known.seen(picture, setup.target)
            taken.append((picture, face, alone))
            asked.append((seen, face.pose))
            responses += [(name, one) for one in edge_responses(seen, face.pose)]
    faces = [face for _, face, _ in taken]
    numbers, notes, light, moved = dict(found.numbers), list(found.notes), None, 0.0
    if taken:
        # without views, those of one exposure: of the first series
        single = [one for one in taken if one[2]]
        single = (
            single or [one for one in taken if one[1].region == faces[0].region][:FACES_A_SERIES]
        )
        of = [picture for picture, *_ in single], [face for _, face, _ in single]
        light, moved = light_claimed(*of, known, setup.target)
    blur = blur_field(faces, setup.camera)
    if blur is not None and not setup.as_said:
        blur = replace(blur, sigma=replace(blur.sigma, u=math.hypot(blur.sigma.u, moved)))
        known = replace(known, optics=blur.optics, u_blur_px=blur.sigma.u)
        numbers |= {"optics.sigma": blur.sigma, "optics.field_sigma": blur.field_sigma}
    own = {face.name: face.blur_px for face in faces}
    widths = [one.sigma_px / own[name] for name, one in responses if math.isfinite(one.sigma_px)]
    if widths:
        notes.append(
            f"slanted edges, which assume no kernel, are {np.median(widths):.2f} times as wide as "
            f"the blur of their faces ({len(widths)} edges)"
        )
    return replace(
        found,
        faces=faces,
        responses=responses,
        blur=blur,
        known=known,
        light=light,
        flatness=flatness_of(asked, known.noise),
        numbers=numbers,
        notes=notes,
        spots=compare_spots(asked[:: max(len(asked) // 4, 1)], setup.imaging.optics, known.noise),
    )


def _saturated(picture: Picture) -> bool:
    peak = picture.grey.max()  # of bits that are shifted up a little below full scale
    return bool(peak > 0.98 * picture.full_scale and np.mean(picture.grey == peak) > SATURATED)


def _views(shots: list[Shot], *, held: bool) -> Iterator[tuple[str, Picture, Pose, bool]]:
    """Yield name, picture, pose, whether it is a single view: held back or not, none saturated."""
    views = 0
    for shot in shots:
        name = shot.series.name
        if shot.pose is None:
            continue
        if shot.series.kind == "view":
            views += 1
            if (views % HELD_VIEW == 0) == held and not _saturated(shot.pictures[0]):
                yield name, shot.pictures[0], shot.pose, True
        elif shot.repeated and not held:
            for k, picture in enumerate(shot.pictures[:FACES_A_SERIES]):
                if not _saturated(picture):
                    yield f"{name} {k + 1}", picture, shot.pose, False


def _held_back(
    found: Characterisation, known: KnownCamera, shots: list[Shot], setup: Setup
) -> Characterisation:
    """Return it with what the pictures say that were held back."""
    asked = [
        (shot.series.name, shot.pictures[shot.fitted :], shot.pose)
        for shot in shots
        if shot.repeated and shot.pose is not None and not _saturated(shot.pictures[-1])
    ]
    asked += [(name, [picture], pose) for name, picture, pose, _ in _views(shots, held=True)]
    every = [held_of(name, pictures, pose, known, setup.target) for name, pictures, pose in asked]
    checks = [c for held in every for c in picture_checks(known, setup.target, held)]
    repeated = [held for held in every if len(held.pictures) > 1]
    if not repeated:
        return replace(found, checks=checks)
    checks += pipeline_checks(known, setup.target, repeated, setup.pipelines, setup.seed)
    counts = [len(held.pictures) for held in repeated]
    return replace(
        found,
        checks=checks,
        residual=residual_map(known, setup.target, repeated[0]),
        notes=[*found.notes, *repeats_needed(counts, len(setup.pipelines))],
    )
