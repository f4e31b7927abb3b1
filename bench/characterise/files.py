"""A characterisation as files: result, tables, fragments, figures, and its words."""

from __future__ import annotations

import dataclasses
import math
import statistics
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl

from bench.characterise.checks import Check, exit_code, what_to_do
from bench.characterise.fragments import bay_text, light_text, measured_camera, target_text
from bench.characterise.measure import Characterisation
from bench.envelope import Facts, Kind, Origin, write_result
from bench.files import make_directory, write_atomically
from bench.scene.model import Bay
from bench.strict import read_toml
from bench.survey.tables import write_table

CHARACTERISATION = Kind("characterisation", "characterisation.json", "characterise", Facts)
VERDICTS = {
    0: "The bench predicts this camera, within the limits stated.",
    1: "The bench doesn't predict this camera:",
    3: "These pictures can't tell:",
}


def verdict_of(found: Characterisation) -> int:
    """Return 0, 1 or 3."""
    return 3 if found.known is None else exit_code(found.checks)


def write_characterisation(
    out: Path,
    found: Characterisation,
    bay: Bay,
    tower: int,
    digest: str,
    origin: Origin,
    calibrated: Mapping[str, float] | None = None,
) -> list[str]:
    """Write all that was found; return the files' names.

    Intrinsics that are `calibrated` have standard uncertainties, by name; others are the bay's.
    """
    from bench.characterise.figures import write_figures  # matplotlib loads slowly

    make_directory(out)
    head = f"Measured by: {origin.command}\nPictures: sha256 {digest}"
    texts: dict[str, str] = {}
    if found.known is not None and found.numbers:
        texts["camera.toml"] = measured_camera(found, head, calibrated)
        if found.light is not None:
            texts["light.toml"] = light_text(found.light, head)
            section = read_toml(bay.path).get("target", {})
            texts["target.toml"] = target_text(section, found.light, found.flatness, head)
        whole = bay_text(bay.path, tower, found, calibrated=calibrated is not None)
        if whole is not None:
            texts["bay.toml"] = f"# {head.splitlines()[1]}\n{whole}"
    for name, text in texts.items():
        write_atomically(out / name, text.encode())
    write_result(out / CHARACTERISATION.file, CHARACTERISATION, value_of(found, digest), origin)
    write_table(out, "checks", checks_table(found.checks))
    if found.faces:
        write_table(out, "faces", faces_table(found), decimals=6)
    tables = ["checks", *(["faces"] if found.faces else [])]
    figures = (path.name for path in write_figures(out, found, origin.command))
    return [CHARACTERISATION.file, *tables, *texts, *figures]


def value_of(found: Characterisation, digest: str) -> dict[str, Any]:
    """Return it as plain numbers."""
    series = ("name", "frames", "flicker", "drift", "motion_px", "creep_px")
    blur = ("p_range", "focus_m", "radial", "u_radial", "scatter")
    white, plain = found.whiteness, dataclasses.asdict
    return {
        "verdict": verdict_of(found),
        "reasons": found.reasons,
        "notes": found.notes,
        "to_do": what_to_do(found.checks),
        "pictures_sha256": digest,
        "numbers": {name: plain(n) for name, n in found.numbers.items()},
        "noise": white
        and _chosen(white, "inflation", "words") | {"correlation": white.correlation.tolist()},
        "fixed_pattern": list(found.pattern),
        "series": [_chosen(stack, *series) for stack in found.stacks],
        "blur": found.blur and _chosen(found.blur, *blur),
        **{
            name: part and plain(part)
            for name in ("spots", "light", "flatness")
            for part in [getattr(found, name)]
        },
        "checks": [plain(check) for check in found.checks],
    }


def _chosen(part: object, *names: str) -> dict[str, Any]:
    return {name: getattr(part, name) for name in names}


def checks_table(checks: list[Check]) -> pl.DataFrame:
    """Return a row a check."""
    names = [f.name for f in dataclasses.fields(Check)]
    text = ("what", "unit", "state", "remedy")
    kinds = {n: pl.String if n in text else pl.Float64 for n in names}
    return pl.DataFrame([dataclasses.asdict(c) for c in checks], schema=kinds)


def faces_table(found: Characterisation) -> pl.DataFrame:
    """Return a row a face: place, range, blur, and the mean of its edges' own widths."""
    widths: dict[str, list[float]] = {}
    for name, response in found.responses:
        if math.isfinite(response.sigma_px):
            widths.setdefault(name, []).append(response.sigma_px)
    rows = [
        {
            "picture": face.name,
            "u_px": face.place[0],
            "v_px": face.place[1],
            "range_m": face.range_m,
            "tilt_deg": math.degrees(face.tilt),
            "blur_px": face.blur_px,
            "u_blur_px": face.u_blur_px,
            "edges_blur_px": statistics.fmean(widths.get(face.name, [math.nan])),
            "ink_um": face.ink_m * 1e6,
            "chi_square_over_degrees": face.chi_square / face.degrees,
        }
        for face in found.faces
    ]
    return pl.DataFrame(rows).fill_nan(None)


def words_of(found: Characterisation) -> list[str]:
    """Return what a terminal shows."""
    lines = [
        f"{name}: {n.words}" + ("" if n.source in n.words else f", {n.source}")
        for name, n in found.numbers.items()
    ]
    lines += [found.whiteness.words] if found.whiteness else []
    share, u = found.pattern
    if math.isfinite(share):
        lines.append(f"fixed pattern, paper included: {100.0 * share:.2f} ± {100.0 * u:.2f} %")
    lines += [f"{s.name}: {', '.join(s.changes)}" for s in found.stacks if s.changes]
    if found.blur is not None and math.isfinite(found.blur.focus_m):
        least = f"{found.blur.focus_m:.3g} m"
        lines.append(f"blur depends on range; least at {least}: give an f_number")
    lines += [part.words for part in (found.spots, found.light, found.flatness) if part]
    lines += [*found.notes, VERDICTS[verdict_of(found)]]
    lines += [f"- {reason}" for reason in found.reasons]
    for state in ("outside", "undecided"):
        off = sorted((c for c in found.checks if c.state == state), key=lambda c: -c.matters)
        lines += [f"- {check.words}" for check in off]
    lines += [f"{k}. {step}" for k, step in enumerate(what_to_do(found.checks), 1)]
    if found.known is not None:
        lines.append(
            "Scatter can't see what is off in every picture alike: two targets on one bar can "
            "(--rigid), and moves that are known (--known)."
        )
    return lines
