"""The report's sections on other renderers."""

from __future__ import annotations

from typing import Any

from reports.photometric.report_words import paragraph, table
from reports.throughput.words import within

Parts = dict[str, Any]
NEARLY = 1.5  # times the planar path's RMS


def opengl_section(result: Parts) -> str:
    """Return the planar path against pyrender."""
    head = "## Against OpenGL\n\n"
    if "missing" in result:
        return head + paragraph(result["missing"])
    tried = [
        (f"pyrender, {s} x {s} draws a pixel", f"{e:.5f}")
        for s, e in result["pyrender_corner_rms_px"].items()
    ]
    exact = ("planar path", f"{result['planar_corner_rms_px']:.5f}")
    rows = []
    for name, words in (
        ("region", "region, equal accuracy"),
        ("frame", "full frame, equal accuracy"),
        ("frame_plain", "full frame, 1 x 1 draw a pixel"),
    ):
        r = result[name]
        drawn = f"{r['tiles_drawn']} of {r['tiles']}"
        rows.append(
            (words, drawn, within(r["planar_ms"]), within(r["pyrender_ms"]), within(r["ratio"]))
        )
    reached = "" if result["reached"] else " Equal accuracy was not reached; the last stands."
    return f"""{head}{
        paragraph(
            f"pyrender by {result['way'].upper()}, software driver or not as the machine has it.",
            "Pictures without blur or noise, rounded to 8 bits; a",
            f"{result['size_px']:.0f} px marker at any place within a pixel. Corner accuracy: in",
            "every row or column across an edge the sum of grey values gives the edge's place,",
            "lines are fitted to the four edges and intersected; exact coverage unrounded gives",
            "1e-13 px by it. Equal is an RMS within 10 % of the planar path's, at the first",
            "number of draws below that has it; the one before has not, one between may."
            + _nearly(result)
            + reached
            + " EGL draws four samples a draw, OSMesa one.",
        )
    }

{table(("picture", "corner RMS, px"), [exact, *tried])}

Where a frame needs many tiles, some spread over it are drawn and scaled by pixels:

{table(("picture", "tiles drawn", "planar, ms", "pyrender, ms", "ratio"), rows)}"""


def _nearly(result: Parts) -> str:
    """Say how many draws come near, as the number that is equal hangs on the last per cents."""
    most = NEARLY * result["planar_corner_rms_px"]
    tried = result["pyrender_corner_rms_px"].items()
    near = next((int(s) for s, error in tried if error <= most), None)
    if near is None or near == result["samples"]:
        return ""
    fewer = (result["samples"] / near) ** 2
    return (
        f" {NEARLY:g} times its RMS takes {near} x {near} draws alone, {fewer:.2g} times fewer,"
        " and the ratio would be less by about as much."
    )


def tracer_section(result: Parts) -> str:
    """Return the planar path against the path tracer."""
    head = "## Against a path tracer\n\n"
    if "missing" in result:
        return head + paragraph(f"Not judged: {result['missing']}.")
    noise = [(s, f"{n:.3f}") for s, n in result["noise_dn"].items()]
    rows = [
        ("planar path", within(result["planar_ms"])),
        (f"mitsuba, {result['samples']} samples", within(result["mitsuba_ms"])),
        ("ratio", within(result["ratio"])),
    ]
    reached = "" if result["reached"] else " It was not reached; the last stands."
    return f"""{head}{
        paragraph(
            f"mitsuba {result['version']}, variant {result['variant']}, one thread,",
            f"multi-jittered samples, {result['pixels']} px of a shining plate before an even",
            "background. Noise is the RMS difference from the exact picture; asked is",
            f"{result['asked_dn']:.3f} DN, what",
            "rounding to 8 bits leaves. Samples are doubled until that is reached, so that fewer",
            "might do, more than half as many, and the ratio be smaller in that proportion;",
            f"the table has the noise of each.{reached}",
        )
    }

{table(("samples a pixel", "noise, DN"), noise)}

{table(("region", "ms, or ratio"), rows)}"""
