"""The measured camera as files that a bay file takes: camera, light, target, each number's source.

What a number is worth stands behind it as a comment: standard uncertainty and source. The
pictures' digest stands on top.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bench.characterise.flatness import Flatness
from bench.characterise.lighting import Lighting
from bench.characterise.measure import Characterisation
from bench.characterise.photon_transfer import Number
from bench.errors import ConfigError
from bench.scene.camera_file import camera_text
from bench.scene.toml_edit import Edit, edit_toml
from bench.strict import read_toml

Lines = list[tuple[str, str, str]]  # key, value as TOML has it, comment


def worth(number: Number) -> str:
    """Return what stands behind a number: standard uncertainty and source."""
    if number.at_most:
        return "upper limit, 95 %"
    if not math.isfinite(number.u):
        return number.source
    return f"u = {number.u:.2g} {number.unit}".rstrip() + f", {number.source}"


def camera_lines(found: Characterisation) -> dict[str, Lines]:
    """Return the lines of [optics] and [sensor]."""
    assert found.known is not None
    optics, sensor, numbers = found.known.optics, found.known.sensor, found.numbers
    lens: Lines = []
    for key, value in (("sigma", optics.sigma_px), ("field_sigma", optics.field_sigma_px)):
        number = numbers.get(f"optics.{key}")
        if value > 0.0 or key == "sigma":
            lens.append(
                (key, f'"{value:.4f} px"', "data sheet" if number is None else worth(number))
            )
    rows: Lines = []
    for key, amount, unit in (
        ("quantum_efficiency", sensor.quantum_efficiency, ""),
        ("dark_noise", sensor.dark_noise, " e-"),
        ("full_well", sensor.full_well, " e-"),
        ("black_level", sensor.black_level, " DN"),
        ("gain", sensor.system_gain, " DN/e-"),
        ("gamma", sensor.gamma, ""),
    ):
        if amount is not None:
            text = f'"{amount:.6g}{unit}"' if unit else f"{amount:.6g}"
            rows.append((key, text, worth(numbers[f"sensor.{key}"])))
    if sensor.noise_correlation is not None:
        table = json.dumps(sensor.noise_correlation)
        rows.append(("noise_correlation", table, "measured: electrons seem more than they are"))
    rows += [
        ("dark_current", '"0 e-/s"', "in dark_noise and black_level, at this exposure"),
        ("exposure", f'"{sensor.exposure * 1e3:.6g} ms"', "data sheet"),
        ("bit_depth", str(sensor.bit_depth), "of the files"),
    ]
    return {"optics": lens, "sensor": rows}


def measured_camera(
    found: Characterisation, head: str, uncertainties: Mapping[str, float] | None
) -> str:
    """Return the whole camera as TOML; intrinsics without uncertainties are the bay's."""
    assert found.known is not None
    if uncertainties is None:
        head += "\nIntrinsics: of the bay file"
    tables = {f"camera.{name}": rows for name, rows in camera_lines(found).items()}
    text = camera_text(found.known.camera, uncertainties or {}, head)
    return text + _text("", tables)


def light_lines(light: Lighting) -> Lines:
    """Return [light]."""
    slopes = ", ".join(f'"{100.0 * n.value:.3g} %/m"' for n in (light.across, light.down))
    return [
        ("level", f"{light.level.value:.4f}", worth(light.level)),
        ("gradient", f"[{slopes}]", f"{worth(light.across)}; {worth(light.down)}"),
    ]


def light_text(light: Lighting, head: str) -> str:
    """Return [light] as TOML, and what it varies by as a comment."""
    text = _text(head, {"light": light_lines(light)})
    if math.isfinite(light.spread):
        text += (
            f"\n# From picture to picture the level varied by {light.spread:.3f}:\n"
            f"# [imperfections]\n# exposure = {min(light.spread, 0.3):.3f}\n"
        )
    if light.falloff is not None:
        text += (
            f"# At half the diagonal it was lower by {light.falloff.words}: vignetting, or the "
            "lamp;\n# the bench's lens has none.\n"
        )
    return text


def target_text(
    section: Mapping[str, Any], light: Lighting, flatness: Flatness | None, head: str
) -> str:
    """Return [target] as TOML, its black measured against its white; ink and plate as comments."""
    told = {"white": "assumed: only its ratio to black shows", "black": worth(light.black)}
    values = {"white": 0.85, **section, "black": round(light.black.value, 4)}
    lines = [(key, json.dumps(value), told.get(key, "")) for key, value in values.items()]
    text = _text(head, {"target": lines})
    if light.ink is not None:
        text += f"# Black has grown at its boundaries by {light.ink.times(1e6, 'um').words}.\n"
        text += f'# [imperfections]\n# ink_spread = "{abs(light.ink.value) * 1e3:.4f} mm"\n'
    if flatness is not None:
        worst = max(abs(mode.value) for mode in flatness.modes)
        text += f'# {flatness.words}.\n# [budget]\n# flatness = "{worst * 1e3:.3f} mm"\n'
    return text


def bay_text(path: Path, tower: int, found: Characterisation, *, calibrated: bool) -> str | None:
    """Return the bay file with the measured numbers in place; None where it has them elsewhere.

    Only sensor, optics, light and calibrated intrinsics change, and of a tower with a camera of
    its own that camera.
    """
    assert found.known is not None
    towers = read_toml(path).get("tower", [])
    own = isinstance(towers, list) and tower < len(towers) and "camera" in towers[tower]
    base: tuple[str | int, ...] = ("tower", tower, "camera") if own else ("camera",)
    edits, tables = [], camera_lines(found)
    if calibrated:
        camera = tomllib.loads(camera_text(found.known.camera, {}, ""))["camera"]
        lens = camera.pop("distortion")
        edits += [Edit(base, key, json.dumps(value)) for key, value in camera.items()]
        tables["distortion"] = [(key, json.dumps(value), "") for key, value in lens.items()]
    section = towers[tower]["camera"] if own else read_toml(path).get("camera", {})
    for name, rows in tables.items():
        if name in section:
            edits += [Edit((*base, name), key, value) for key, value, _ in rows]
        else:
            whole = ", ".join(f"{key} = {value}" for key, value, _ in rows)
            edits.append(Edit(base, name, f"{{{whole}}}"))
    if found.light is not None:
        edits += [Edit(("light",), key, value) for key, value, _ in light_lines(found.light)]
    try:
        return edit_toml(path.read_text(encoding="utf-8"), edits)
    except ConfigError:
        return None


def _text(head: str, tables: Mapping[str, Lines]) -> str:
    lines = [f"# {line}".rstrip() for line in head.splitlines()]
    for name, rows in tables.items():
        lines += ["", f"[{name}]"]
        lines += [f"{key} = {value}" + (f"  # {c}" if c else "") for key, value, c in rows]
    return "\n".join(lines) + "\n"
