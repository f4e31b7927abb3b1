"""Camera files: our own TOML, written by calibration, and what other programs write.

Pixels have one convention in both: (0, 0) is the centre of the top left pixel.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from bench.errors import ConfigError
from bench.files import write_atomically
from bench.geometry.camera import Camera
from bench.geometry.lens_models import BROWN
from bench.scene.camera_section import CameraSection
from bench.scene.opencv_camera import OPENCV_SUFFIXES, read_opencv_camera
from bench.strict import Section, read_toml, validate

PIXEL_PARAMETERS = ("fx", "fy", "cx", "cy")
DISTORTION_PARAMETERS = ("k1", "k2", "p1", "p2", "k3")
WIDE_PARAMETERS = ("k4", "k5", "k6")
PARAMETERS = (*PIXEL_PARAMETERS, *DISTORTION_PARAMETERS, *WIDE_PARAMETERS)


class CameraFile(Section):
    """A camera file."""

    camera: CameraSection
    """With the keys of a bay's [camera]; intrinsics are what is taken."""
    uncertainty: dict[str, float | str] | None = None
    """Standard uncertainties of a calibration's parameters, for people: nothing takes them."""


def read_camera(path: Path | str, size: tuple[int, int] | None = None) -> Camera:
    """Return the camera of a file.

    >>> import bench
    >>> bench.read_camera("camera.png")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    bench.errors.ConfigError: camera.png: a camera file must end in .toml or ...

    Parameters
    ----------
    path : path
        Our TOML (``.toml``), or YAML, XML or JSON (`bench.scene.opencv_camera`).
    size : (int, int), optional
        Width and height of the pictures, pixels, for an OpenCV file that doesn't say.

    Raises
    ------
    ConfigError
        The file can't be read, lacks something, or describes a lens that the bench's model
        can't.
    """
    path = Path(path)
    if path.suffix.lower() == ".toml":
        section = validate(CameraFile, read_toml(path), path).camera
        try:
            return section.to_camera()
        except ConfigError as error:
            raise ConfigError(f"{path}: {error}") from error
    if path.suffix.lower() in OPENCV_SUFFIXES:
        return read_opencv_camera(path, size)
    raise ConfigError(
        f"{path}: a camera file must end in .toml or {', '.join(OPENCV_SUFFIXES)} (OpenCV's)"
    )


def write_camera(
    path: Path | str,
    camera: Camera,
    uncertainties: Mapping[str, float] | None = None,
    comment: str = "",
) -> None:
    """Write a camera file; one that exists is replaced whole or not at all.

    Parameters
    ----------
    path : path
        Ends in ``.toml``.
    camera : Camera
        What to write; every float survives to the last bit.
    uncertainties : mapping of str to float, optional
        Standard uncertainties of any of `PARAMETERS`, in pixels or without unit.
    comment : str
        Lines for the top of the file.

    Raises
    ------
    ConfigError
        An unknown parameter, or another suffix.
    RunError
        The file can't be written.
    """
    path = Path(path)
    if path.suffix.lower() != ".toml":
        raise ConfigError(f"{path}: a camera file that the bench writes must end in .toml")
    unknown = set(uncertainties or {}) - set(PARAMETERS[: 9 + len(camera.more)])
    if unknown:
        raise ConfigError(f"{path}: no such parameter: {', '.join(sorted(unknown))}")
    write_atomically(path, camera_text(camera, uncertainties or {}, comment).encode())


def lens_keys(camera: Camera) -> list[tuple[str, str]]:
    """Return the keys of [camera.distortion] and their values as TOML."""
    names = (*DISTORTION_PARAMETERS, *WIDE_PARAMETERS)
    values = zip(names, (*camera.distortion, *camera.more), strict=False)
    model = [] if camera.model == BROWN else [("model", f'"{camera.model}"')]
    return [*model, *((name, repr(float(value))) for name, value in values)]


def camera_text(camera: Camera, uncertainties: Mapping[str, float], comment: str) -> str:
    """Return what `write_camera` writes."""
    lines = [f"# {line}".rstrip() for line in comment.splitlines()]
    lines += [
        "[camera]",
        f"width = {camera.width}",
        f"height = {camera.height}",
        f'focal_length = ["{float(camera.fx)!r} px", "{float(camera.fy)!r} px"]',
        f'principal_point = ["{float(camera.cx)!r} px", "{float(camera.cy)!r} px"]',
    ]
    if camera.pixel_pitch is not None:
        lines.append(f'pixel_pitch = "{float(camera.pixel_pitch)!r} m"')
    lines += ["", "[camera.distortion]", *(f"{key} = {text}" for key, text in lens_keys(camera))]
    if uncertainties:
        lines += ["", "[uncertainty] # standard uncertainties"]
    for name in PARAMETERS:
        if name in uncertainties:
            value = f"{float(uncertainties[name])!r}"
            lines.append(
                f'{name} = "{value} px"' if name in PIXEL_PARAMETERS else f"{name} = {value}"
            )
    return "\n".join(lines) + "\n"
