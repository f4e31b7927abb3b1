"""Pictures of a characterised camera: photon transfer, blur, response, what is off."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from bench.characterise.checks import Check
from bench.characterise.edges import FREQUENCIES, pixel_response
from bench.characterise.held_back import BLUR_LIMIT_PX
from bench.characterise.measure import Characterisation
from bench.draw import style
from bench.draw.page_layout import Box, Page, shorten
from bench.typing import Array

MEASURED, MODEL, AWAY = style.OKABE_ITO[0], style.INK, style.OKABE_ITO[1]
STATES = {
    "inside": (style.OKABE_ITO[2], "o", "as predicted"),
    "outside": (style.OKABE_ITO[1], "X", "off"),
    "undecided": (style.MUTED, "D", "can't be told"),
}
POINTS: dict[str, Any] = {"fmt": "o", "color": MEASURED, "markersize": 3, "linewidth": 0.8}
ROW = 0.22  # inches
MOST_ROWS = 40
LAGS = 12  # px


def write_figures(out: Path, found: Characterisation, note: str) -> list[Path]:
    """Draw and write what there is to show; return the files."""
    with style.applied():
        figures = {}
        if found.transfer is not None and found.levels is not None:
            figures["photon_transfer.png"] = transfer_figure(found, note)
        if found.blur is not None and found.known is not None:
            figures["blur_field.png"] = blur_figure(found, note)
        if found.responses:
            figures["edge_response.png"] = response_figure(found, note)
        if found.residual is not None:
            figures["residual_map.png"] = residual_figure(found.residual, note)
        if found.checks:
            figures["predicted_observed.png"] = checks_figure(found.checks, note)
        return [style.save(figure, out / name) for name, figure in figures.items()]


def _line(label: str, colour: str = MODEL, **kwargs: Any) -> Line2D:
    """Return a line of a key."""
    return Line2D([], [], color=colour, label=label, **kwargs)


def _dots(label: str, colour: str = MEASURED, marker: str = "o") -> Line2D:
    return _line(label, colour, marker=marker, linestyle="")


def _pair(page: Page, *names: str) -> tuple[Axes, Axes]:
    """Return a page's two panels by their axes' names: across and up of each."""
    panels = page.axes(Box(0.7, 0.15, 4.9, 3.5)), page.axes(Box(6.5, 0.15, 3.0, 3.5))
    for panel, across, up in zip(panels, names[::2], names[1::2], strict=True):
        panel.set_xlabel(across)
        panel.set_ylabel(up)
    return panels


def _around(values: Array) -> tuple[float, float]:
    """Return an axis's ends about blurs, wide enough that what doesn't matter looks small."""
    return float(np.min(values)) - BLUR_LIMIT_PX, float(np.max(values)) + BLUR_LIMIT_PX


def transfer_figure(found: Characterisation, note: str) -> Figure:
    """Draw variance against mean, and what is left of it after the line."""
    transfer, levels = found.transfer, found.levels
    assert transfer is not None
    assert levels is not None
    used = levels.usable
    names = ("gain", "black_level", "dark_noise", "full_well", "gamma")
    told = {name: found.numbers.get(f"sensor.{name}") for name in names}
    words = "; ".join(f"{name} {n.words}" for name, n in told.items() if n is not None)
    if transfer.bent:
        words = "The response is curved: no gain can be given"
    elif "sensor.gamma" in found.numbers:
        words = f"Grey values are those before the response curve, of 16 bits. {words}"
    page = Page(
        "Photon transfer",
        "temporal variance of a pixel against its mean, each point the pixels of one grey level",
        f"{words}. χ² is {transfer.chi_square:.0f} with {transfer.degrees:.0f} degrees of "
        "freedom. Right: over the line, with one standard deviation; noise alone lies about "
        f"1.\n{note}",
        4.2,
        [_dots("levels used"), _dots("left out: rounding, saturation", AWAY, "x"), _line("line")],
    )
    left, right = _pair(page, "mean, DN", "variance, DN²", "mean, DN", "variance over the line")
    left.plot(levels.mean[used], levels.variance[used], "o", color=MEASURED, markersize=4)
    left.plot(levels.mean[~used], levels.variance[~used], "x", color=AWAY, markersize=5)
    ends = np.array([0.0, float(np.max(levels.mean))])
    line = transfer.line[0] + transfer.line[1] * ends
    left.plot(ends, line, color=MODEL, linewidth=1.0)
    left.set_ylim(0.0, 1.1 * max(float(np.max(levels.variance)), float(np.max(line))))
    expected = transfer.line[0] + transfer.line[1] * levels.mean[used]
    error = np.sqrt(2.0 / levels.degrees[used])
    right.errorbar(levels.mean[used], levels.variance[used] / expected, error, **POINTS)
    right.axhline(1.0, color=MODEL, linewidth=1.0)
    right.locator_params("x", nbins=4)
    return page.figure


def blur_figure(found: Characterisation, note: str) -> Figure:
    """Draw blur where it was found, and against the distance from the middle."""
    blur, known = found.blur, found.known
    assert blur is not None
    assert known is not None
    camera, places = known.camera, np.array([face.place for face in found.faces])
    sigma = np.sqrt(blur.variances)
    page = Page(
        "Blur over the field",
        "standard deviation of the Gaussian blur, px, from each target's boundaries",
        f"sigma {blur.sigma.words}; field_sigma {blur.field_sigma.words}. Targets scatter by "
        f"{blur.scatter:.2g} times what they claim. Along a radius the variance is larger by "
        f"{blur.radial:.2g} ± {blur.u_radial:.2g} px² at the corner."
        + (f" Dependence on range: p = {blur.p_range:.2g}." if math.isfinite(blur.p_range) else "")
        + f"\n{note}",
        4.2,
        [_dots("a target's blur"), _line("the bench's lens")],
    )
    left, right = _pair(page, "u, px", "v, px", "distance over half the diagonal", "blur, px")
    low, high = _around(sigma)
    x, y = places.T
    left.scatter(x, y, s=90, c=sigma, cmap=style.ERROR_MAP, vmin=low, vmax=high, ec=style.INK)
    shown: list[tuple[float, float]] = []
    for (u, v), value in zip(places, sigma, strict=True):
        if all(math.hypot(u - a, v - b) > 0.09 * camera.width for a, b in shown):
            shown.append((float(u), float(v)))
            left.annotate(
                f"{value:.3f}", (u, v), (0, 8), textcoords="offset points", ha="center", fontsize=9
            )
    left.set(xlim=(0, camera.width), ylim=(camera.height, 0))
    left.set_aspect("equal", anchor="NW")
    out = np.linspace(0.0, max(math.sqrt(float(np.max(blur.shares))), 0.2), 50)
    right.errorbar(np.sqrt(blur.shares), sigma, 0.5 * blur.u_variances / sigma, **POINTS)
    optics = known.optics
    right.plot(out, np.hypot(optics.sigma_px, optics.field_sigma_px * out), color=MODEL)
    right.set_ylim(low, high)
    return page.figure


def response_figure(found: Characterisation, note: str) -> Figure:
    """Draw edges' responses, and their widths against the faces'."""
    blur = {face.name: face.blur_px for face in found.faces}
    pairs = [(blur[n], r.sigma_px, r) for n, r in found.responses if math.isfinite(r.sigma_px)]
    page = Page(
        "Spatial frequency response from slanted edges (after ISO 12233)",
        "a check of the blur that assumes no kernel",
        "Right: each edge's own width against the blur that the whole face gives; where a lens's "
        f"spot isn't Gaussian they part.\n{note}",
        4.2,
        [
            _line("an edge, without the pixel's box", MEASURED, alpha=0.4),
            _line("exp(-2π²σ²f²) of the middle blur"),
        ],
    )
    left, right = _pair(
        page, "frequency, cycles per pixel", "response", "blur of the face, px",
        "width of an edge, px"
    )  # fmt: skip
    for _, _, one in pairs:
        shown = one.response / pixel_response(one.direction)
        left.plot(FREQUENCIES, shown, color=MEASURED, alpha=0.3, linewidth=0.8)
    if pairs:
        faces, edges = np.array([pair[:2] for pair in pairs]).T
        middle, ends = float(np.median(faces)), _around(np.append(faces, edges))
        left.plot(FREQUENCIES, np.exp(-2.0 * (np.pi * middle * FREQUENCIES) ** 2), color=MODEL)
        right.plot(faces, edges, "o", color=MEASURED, markersize=3)
        right.plot(ends, ends, color=MODEL, linewidth=1.0)
        right.set(xlim=ends, ylim=ends)
        right.locator_params("x", nbins=4)
    left.set_ylim(0.0, 1.1)
    return page.figure


def residual_figure(residual: Array, note: str) -> Figure:
    """Draw what the measured camera leaves of a face, and how alike neighbours are in that."""
    page = Page(
        "What the measured camera leaves of the target",
        "observed less predicted, mean of held-back frames, in standard deviations of that mean",
        f"Standard deviation {float(np.nanstd(residual)):.2f}; 1 is noise alone. Lines along "
        "boundaries speak of the blur or of the print, patches of light, the same grain in all "
        f"frames of fixed pattern. Right: noise alone lies about 0.\n{note}",
        4.2,
        [_line("along rows", MEASURED, marker="o"), _line("along columns", AWAY, marker="x")],
    )
    left, right = _pair(page, "px", "px", "distance of two pixels, px", "correlation")
    width = min(3.5 * residual.shape[1] / residual.shape[0], 4.2)
    drawn = left.imshow(residual, cmap="RdBu_r", vmin=-5.0, vmax=5.0, interpolation="nearest")
    left.set_anchor("W")
    bar = page.figure.colorbar(drawn, cax=page.axes(Box(width + 0.9, 0.15, 0.12, 3.5)))
    bar.ax.set_ylabel("standard deviations")
    lags, whole = np.arange(1, LAGS + 1), np.nanmean(residual**2)
    for values, colour, marker in ((residual, MEASURED, "o"), (residual.T, AWAY, "x")):
        alike = [np.nanmean(values[:, k:] * values[:, :-k]) / whole for k in lags]
        right.plot(lags, alike, color=colour, marker=marker, markersize=4, linewidth=0.8)
    right.axhline(0.0, color=MODEL, linewidth=1.0)
    low, high = right.get_ylim()
    right.set_ylim(min(low, -0.1), max(high, 0.1))
    return page.figure


def _between(check: Check) -> float:
    """Return where a number lies between its limits, 0 to 1; ratios by their logarithm."""
    low, high, value = check.low, check.high, check.value
    if low > 0.0 and value > 0.0:
        low, high, value = math.log(low), math.log(high), math.log(value)
    return (value - low) / max(high - low, 1e-12)


def checks_figure(checks: list[Check], note: str) -> Figure:
    """Draw each comparison between its limits, what matters most on top."""
    order = sorted(checks, key=lambda c: (c.state == "inside", -c.matters))[:MOST_ROWS]
    rest = len(checks) - len(order)
    page = Page(
        "Predicted against observed, on pictures that were held back",
        "the grey bar is what the bench's prediction allows; its ends are stated beside it",
        (f"{rest} more comparisons are in checks.csv. " if rest else "")
        + f"Off or undecided ones are on top.\n{note}",
        ROW * len(order) + 0.3,
        [_dots(label, colour, marker) for colour, marker, label in STATES.values()],
    )
    for k, check in enumerate(order):
        colour, marker, _ = STATES[check.state]
        top = ROW * k + 0.15
        page.text(0.0, top, shorten(check.what, 5.0, style.SMALL), fontsize=9, va="center")
        axes = page.axes(Box(5.1, top - 0.07, 2.2, 0.14))
        place = min(max(_between(check), -0.45), 1.45)
        axes.axvspan(0.0, 1.0, color=style.FAINT)
        axes.plot([place], [0.5], marker, color=colour, markersize=6, clip_on=False)
        axes.set(xlim=(-0.5, 1.5), ylim=(0.0, 1.0))
        axes.axis("off")
        text = f"{check.value:.2g}{check.unit} in {check.low:.2g} to {check.high:.2g}"
        page.text(7.4, top, shorten(text, 2.3, style.SMALL), fontsize=9, va="center")
    return page.figure
