"""From series of pictures to a camera: statistics, faces, blur, light, then what was held back."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from bench.characterise.blur import BlurField, blur_field
from bench.characterise.checks import Check
from bench.characterise.edges import EdgeResponse, edge_responses
from bench.characterise.faces import (
    MARGIN_PX,
    FaceFit,
    crop,
    find_pose,
    fit_face,
    looked_at,
)
from bench.characterise.held_back import held_of, picture_checks, pipeline_checks, residual_map
from bench.characterise.known import KnownCamera
from bench.characterise.levels import Levels, levels_of
from bench.characterise.lighting import Lighting, lighting_of
from bench.characterise.photon_transfer import Number, Transfer, photon_transfer
from bench.characterise.series import Series, held_from, middle_of, read_frame, stacked
from bench.characterise.spot import Spots, compare_spots
from bench.characterise.stack import Stack, reduce_stack
from bench.characterise.whiteness import Whiteness, pattern_of, whiteness_of
from bench.errors import GeometryError, PictureError
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.imaging.model import Imaging
from bench.imaging.picture import Picture, Region
from bench.imaging.region import region_of
from bench.imaging.sensor import Sensor
from bench.solve.pipeline import Pipeline
from bench.targets.target import Target
from bench.typing import Array

SAME_PLACE_PX, MOST_MOVED_PX = 1.0, 2.0
HELD_VIEW = 4  # of views, every so many is held back
FACES_A_SERIES = 3
Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class Setup:
    """What is known before: the data sheet's camera, the target, and what to run.

    Attributes
    ----------
    camera : Camera
        Intrinsics.
    imaging : Imaging
        As said; optics and sensor of what can't be measured, and the bits.
    target : Target
        In the pictures.
    pipelines : tuple of Pipeline
        To judge; the first that finds the target gives the start.
    seed : int
        Of rendered repeats.
    as_said : bool
        Hold the camera as it is said against the pictures, without measuring it.
    """

    camera: Camera
    imaging: Imaging
    target: Target
    pipelines: tuple[Pipeline, ...]
    seed: int
    as_said: bool = False


@dataclass(frozen=True, eq=False)
class Shot:
    """A series as it was read: the part of its frames that shows the target."""

    series: Series
    pictures: list[Picture]
    pose: Pose | None


@dataclass(frozen=True, eq=False)
class Characterisation:
    """What pictures say of a camera.

    Attributes
    ----------
    stacks : list of Stack
        Repeats, flat and dark frames.
    levels, transfer, whiteness : Levels, Transfer, Whiteness or None
        Of these; None where too little could be said.
    pattern : (float, float)
        Fixed pattern as a fraction, and its uncertainty.
    known : KnownCamera or None
        The camera; None where these pictures can't tell.
    faces : list of FaceFit
        Used for the lens.
    responses : list of (str, EdgeResponse)
        Of edges, by picture.
    blur : BlurField or None
        Over the field.
    light : Lighting or None
        On the target.
    checks : list of Check
        Of what was held back.
    reasons : list of str
        Why it can't be told, where it can't.
    numbers : dict of str to Number
        All that a camera file says, by its key.
    spots : Spots or None
        Which spot explains the faces, where the data sheet has an f-number.
    residual : (H, W) float64 or None
        What the camera leaves of the first series that was held back, standard deviations.
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
    checks: list[Check] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    numbers: dict[str, Number] = field(default_factory=dict)
    spots: Spots | None = None
    residual: Array | None = None


def characterise(series: Sequence[Series], setup: Setup, progress: Progress) -> Characterisation:
    """Return what series of pictures say.

    Raises
    ------
    PictureError, ConfigError
        A picture can't be read or used.
    """
    total = sum(len(one.paths) for one in series)
    done = 0
    shots: list[Shot] = []
    for one in series:
        shots.append(_read(one, setup, shots))
        done += len(one.paths)
        progress(done, total)
    repeats = [s for s in shots if s.series.kind != "view"]
    stacks = [
        reduce_stack(
            shot.series.name,
            stacked(shot.pictures[: _fitted(shot)]),
            shot.pictures[0].full_scale,
            (shot.pictures[0].u0, shot.pictures[0].v0),
        )
        for shot in repeats
    ]
    found = _sensor(stacks, repeats, setup)
    if found.known is None:
        return found
    found = _lens(found, found.known, shots, setup)
    assert found.known is not None
    return _held_back(found, found.known, shots, setup)


def _fitted(shot: Shot) -> int:
    return held_from(len(shot.pictures)) if shot.series.kind == "repeats" else len(shot.pictures)


def _read(one: Series, setup: Setup, before: list[Shot]) -> Shot:
    """Return a series' frames, cut to its target, where an unmoved one before it had it."""
    bits = setup.imaging.sensor.bit_depth
    first, pose = read_frame(one.paths[0], setup.camera, bits), None
    region: Region | None = middle_of(setup.camera)
    if one.kind in ("repeats", "view"):
        seen = looked_at(first, setup.camera, setup.target, setup.imaging.sensor)
        pose = find_pose(replace(seen, sensor=None), setup.pipelines)
        region = _region(pose, before, setup)
    if region is None:
        raise PictureError(f"{one.paths[0]}: {setup.target.name} isn't found in it")
    rest = [crop(read_frame(path, setup.camera, bits), region) for path in one.paths[1:]]
    if one.kind == "repeats" and pose is not None:
        _check_unmoved(one, rest[-1], pose, setup)
    return Shot(one, [crop(first, region), *rest], pose)


def _check_unmoved(one: Series, last: Picture, pose: Pose, setup: Setup) -> None:
    """Raise `PictureError` where the target isn't in the last frame where it was in the first."""
    seen = looked_at(last, setup.camera, setup.target, setup.imaging.sensor)
    end = find_pose(replace(seen, sensor=None), setup.pipelines)
    moved = math.inf if end is None else _apart_px(pose, end, setup)
    if moved > MOST_MOVED_PX:
        raise PictureError(
            f"{one.paths[-1]}: isn't a repeat of {one.paths[0].name}: the target isn't within "
            f"{MOST_MOVED_PX:g} px of where it was; give views names of their own"
        )


def _apart_px(first: Pose, second: Pose, setup: Setup) -> float:
    """Return how far the plate's corners are apart in the picture, pixels, at most."""
    outline = setup.target.drawing.outline
    corners = np.column_stack((outline, np.zeros(len(outline))))
    try:
        ends = [project(corners, pose, setup.camera) for pose in (first, second)]
    except GeometryError:
        return math.inf
    return float(np.max(np.abs(ends[0] - ends[1])))


def _region(pose: Pose | None, before: list[Shot], setup: Setup) -> Region | None:
    """Return the part that shows the target; that of an earlier series where it stands alike."""
    earlier = [shot for shot in before if shot.series.kind == "repeats" and shot.pose is not None]
    if pose is None:  # too bright to be found: it stands where it stood
        return earlier[-1].pictures[0].region if earlier else None
    for shot in earlier:
        if shot.pose is not None and _apart_px(pose, shot.pose, setup) < SAME_PLACE_PX:
            return shot.pictures[0].region
    try:
        return region_of(setup.target.drawing, pose, setup.camera, MARGIN_PX)
    except GeometryError:
        return None


def _sensor(stacks: list[Stack], shots: list[Shot], setup: Setup) -> Characterisation:
    """Return what statistics of frames say; without a camera where they can't."""
    found = Characterisation(stacks)
    dark = tuple(k for k, shot in enumerate(shots) if shot.series.kind == "dark")
    lit = [stack for k, stack in enumerate(stacks) if k not in dark]
    white, pattern = whiteness_of(lit), pattern_of(lit)
    found = replace(found, whiteness=white, pattern=pattern)
    said = setup.imaging.sensor
    if setup.as_said:
        known = KnownCamera(setup.camera, setup.imaging.optics, said)
        return replace(found, known=known, levels=levels_of(stacks))
    reasons = [white.words] if white.correlated else []
    try:
        transfer = photon_transfer(stacks, dark)
    except PictureError as error:
        return replace(found, reasons=[*reasons, str(error)])
    found = replace(found, transfer=transfer, levels=levels_of(stacks))
    if transfer.bent:
        law = "" if transfer.gamma is None else f": as a gamma of {transfer.gamma.words} has it"
        reasons.append(f"grey values aren't in proportion to light{law}")
    elif transfer.black is None:
        reasons.append(
            "the grey value without light can't be told: take dark frames, or the same scene at a "
            "second exposure"
        )
    if reasons or transfer.gain is None or transfer.black is None or transfer.dark_noise is None:
        return replace(found, reasons=reasons)
    sensor, numbers = _measured_sensor(transfer, said)
    known = KnownCamera(
        setup.camera,
        setup.imaging.optics,
        sensor,
        u_noise=transfer.gain.u / transfer.gain.value,
    )
    return replace(found, known=known, numbers=numbers)


def _measured_sensor(transfer: Transfer, said: Sensor) -> tuple[Sensor, dict[str, Number]]:
    gain, black, dark = transfer.gain, transfer.black, transfer.dark_noise
    assert gain is not None
    assert black is not None
    assert dark is not None
    full = transfer.saturation
    if full is None:
        electrons = (said.full_scale - black.value) / gain.value
        full = Number(electrons, electrons * gain.u / gain.value, "e-", "assumed: white is full")
    noise, used = dark.value, dark
    if dark.at_most and said.dark_noise <= dark.value:
        noise, used = said.dark_noise, Number(said.dark_noise, math.nan, "e-", "data sheet")
    sensor = Sensor(
        quantum_efficiency=said.quantum_efficiency,
        dark_noise=noise,
        dark_current=0.0,
        exposure=said.exposure,
        full_well=full.value,
        gain=gain.value,
        bit_depth=said.bit_depth,
        black_level=max(black.value, 0.0),
    )
    return sensor, {
        "sensor.gain": gain,
        "sensor.black_level": black,
        "sensor.dark_noise": used,
        "sensor.dark_noise, limit": dark if dark.at_most else used,
        "sensor.full_well": full,
        "sensor.quantum_efficiency": Number(said.quantum_efficiency, math.nan, "", "data sheet"),
    }


def _lens(
    found: Characterisation, known: KnownCamera, shots: list[Shot], setup: Setup
) -> Characterisation:
    """Return it with faces, blur and light of pictures that aren't held back."""
    faces, responses, single, asked = [], [], [], []
    for name, picture, pose, alone in _views(shots, held=False):
        seen = looked_at(picture, setup.camera, setup.target, known.sensor)
        if np.mean(picture.grey >= picture.full_scale) > 0.001:
            continue
        try:
            face = fit_face(name, seen, pose, known.noise)
        except (GeometryError, np.linalg.LinAlgError):
            continue
        faces.append(face)
        asked.append((seen, face.pose))
        single += [face] if alone else []
        responses += [(name, one) for one in edge_responses(seen, face.pose)]
    blur = blur_field(faces, setup.camera)
    numbers = dict(found.numbers)
    if blur is not None and not setup.as_said:
        known = replace(known, optics=blur.optics, u_blur_px=blur.sigma.u)
        numbers |= {"optics.sigma": blur.sigma, "optics.field_sigma": blur.field_sigma}
    light = None
    if faces:
        black = found.numbers.get("sensor.black_level")
        u_black = 0.0 if black is None else black.u
        light = lighting_of(single or faces, known, setup.target.drawing, u_black)
    return replace(
        found,
        faces=faces,
        responses=responses,
        blur=blur,
        known=known,
        light=light,
        numbers=numbers,
        spots=compare_spots(asked[:: max(len(asked) // 4, 1)], setup.imaging.optics, known.noise),
    )


def _views(shots: list[Shot], *, held: bool) -> list[tuple[str, Picture, Pose, bool]]:
    """Return name, picture, pose and whether it is a single view, held back or not."""
    found, views = [], 0
    for shot in shots:
        if shot.pose is None:
            continue
        if shot.series.kind == "view":
            views += 1
            if (views % HELD_VIEW == 0) == held:
                found.append((shot.series.name, shot.pictures[0], shot.pose, True))
        elif shot.series.kind == "repeats" and not held:
            some = shot.pictures[:FACES_A_SERIES]
            found += [
                (f"{shot.series.name} {k + 1}", p, shot.pose, False) for k, p in enumerate(some)
            ]
    return found


def _held_back(
    found: Characterisation, known: KnownCamera, shots: list[Shot], setup: Setup
) -> Characterisation:
    """Return it with what the pictures say that were held back."""
    checks: list[Check] = []
    repeated = []
    for shot in shots:
        if shot.series.kind != "repeats" or shot.pose is None:
            continue
        pictures = shot.pictures[_fitted(shot) :]
        if np.mean(pictures[0].grey >= pictures[0].full_scale) > 0.001:
            continue
        held = held_of(shot.series.name, pictures, shot.pose, known, setup.target)
        checks += picture_checks(known, setup.target, held)
        repeated.append(held)
    if repeated:
        checks += pipeline_checks(known, setup.target, repeated, setup.pipelines, setup.seed)
    for name, picture, pose, _ in _views(shots, held=True):
        checks += picture_checks(
            known, setup.target, held_of(name, [picture], pose, known, setup.target)
        )
    residual = residual_map(known, setup.target, repeated[0]) if repeated else None
    return replace(found, checks=checks, residual=residual)
