"""A teaching picture as a card: what the camera sees, enlarged, a schematic, and what comes of it.

One pixel of the camera is one dot of the PNG at `DPI`. A card is drawn at any place of a figure,
so that contact sheets are cards on pages.
"""

from __future__ import annotations

import math
import re
import textwrap
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from bench.draw import style
from bench.geometry.camera import Camera, project
from bench.geometry.pose import Pose
from bench.geometry.rotation import exp_rotvec
from bench.geometry.viewing import mirrored_normal
from bench.scene.model import Bay
from bench.solve.response import target_points
from bench.teaching.captions import WORDS, Captions
from bench.teaching.diagram import draw_diagram
from bench.teaching.diagram_marks import BLUE, DIAGRAM, RED, SIZE
from bench.teaching.trials import Illustrated
from bench.teaching.views import corner_of, place_of
from bench.teaching.words import DRAWN_LEAN, DRAWN_SLIP, Said, said, values_of
from bench.typing import Array

DPI = 220.0
WIDTH, HEIGHT = 7.4, 3.3
PANEL_PX = 396  # SIZE inches
PATCH_FACTOR, LEAST_FACTOR = 8, 3
LEFT, PANEL_Y, GAP = 0.15, 1.27, 0.15
PANELS_X = (LEFT, LEFT + SIZE + GAP, LEFT + 2 * (SIZE + GAP))
TEXT_Y, LINE = 0.925, 0.148  # of the first line's top, and from line to line of SMALL type, inches
COLUMNS = 103  # characters of a line
LINES = 6  # that a card has room for
SIZES = (style.SMALL, 8.5, 8.0, 7.5, 7.0, 6.0, 5.0)  # of type, points


def draw_card(
    figure: Figure,
    at: tuple[float, float],
    shown: Illustrated,
    bay: Bay,
    captions: Captions,
    scene_key: str | None = None,
) -> Said:
    """Draw a card with its lower left corner at `at`, inches; return what it says."""
    texts = said(shown, bay, captions, scene_key)
    values = values_of(shown, bay, captions)
    words = {word: captions.texts[f"words.{word}"] for word in WORDS}
    camera = shown.setting.camera
    x, y = (round(v * DPI) / DPI for v in at)
    frame = _axes(figure, x, y, WIDTH, HEIGHT)
    frame.set(xlim=(0, WIDTH), ylim=(0, HEIGHT))
    frame.axis("off")
    frame.text(LEFT, HEIGHT - 0.11, texts.title, size=style.LARGE, va="center", weight="bold")
    pixels, window, factor = _pictures(shown, camera)
    seen = _axes(figure, x + PANELS_X[0], y + PANEL_Y, SIZE, SIZE)
    _show(seen, shown, pixels, 1)
    if factor == PATCH_FACTOR:
        u, v, size = window
        seen.add_patch(Rectangle((u - 0.5, v - 0.5), size, size, fill=False, ec=RED, lw=1.2))
    large = _axes(figure, x + PANELS_X[1], y + PANEL_Y, SIZE, SIZE)
    _show(large, shown, window, factor)
    if shown.scene.set == "mirror":
        _both_solutions(large, shown)
    if shown.T_before is not None and shown.scene.slip_deg:
        _outlined(large, shown, shown.T_before, RED, (0, (3, 2)))
    diagram = _axes(figure, x + PANELS_X[2], y + PANEL_Y, DIAGRAM, SIZE)
    draw_diagram(diagram, shown, bay, values, words)
    labels = (
        words["true_scale"],
        captions.say("words.enlarged", {"factor": str(factor)}),
        _geometry(shown, captions),
    )
    for left, label in zip(PANELS_X, labels, strict=True):
        frame.text(
            left, PANEL_Y - 0.085, label, size=style.SMALL - 1.5, va="center", color=style.MUTED
        )
    _bar(frame, texts, words)
    size, result, why = fitted(texts)
    look: dict[str, Any] = {"size": size, "va": "top", "linespacing": 1.17}
    frame.text(LEFT, TEXT_Y, "\n".join(result), **look)
    low = TEXT_Y - LINE * size / style.SMALL * len(result)
    frame.text(LEFT, low, "\n".join(why), color=style.MUTED, **look)
    return texts


# Between a number and its unit no line ends.
_UNIT = re.compile(r"(?<=\d) (?=(?:deg|°|px|mm|m|%)(?!\w))")


def fitted(texts: Said) -> tuple[float, list[str], list[str]]:
    """Return the largest type that has room for result and reason, and their lines."""
    for size in SIZES:
        columns = round(COLUMNS * style.SMALL / size)
        result, why = (
            textwrap.wrap(_UNIT.sub("\N{NO-BREAK SPACE}", text), columns)
            for text in (texts.result, texts.why)
        )
        if (len(result) + len(why)) * size <= LINES * style.SMALL:
            break
    return size, result, why


def card_figure(
    shown: Illustrated, bay: Bay, captions: Captions, scene_key: str | None = None
) -> Figure:
    """Return a figure of one card."""
    figure = style.new_figure(WIDTH, HEIGHT, DPI)
    draw_card(figure, (0.0, 0.0), shown, bay, captions, scene_key)
    return figure


def _axes(figure: Figure, x: float, y: float, width: float, height: float) -> Axes:
    # whole dots, so that a pixel of the camera falls on a dot
    w, h = figure.get_size_inches()
    left, low = round(x * DPI) / DPI, round(y * DPI) / DPI
    return figure.add_axes((left / w, low / h, width / w, height / h))


Window = tuple[float, float, float]  # first column and row on the sensor, and size


def _pictures(shown: Illustrated, camera: Camera) -> tuple[Window, Window, int]:
    """Return the windows at true scale and enlarged, and how much enlarged."""
    picture = shown.picture
    height, width = picture.grey.shape
    middle = (picture.u0 + width // 2, picture.v0 + height // 2)
    whole = _around(middle, PANEL_PX)
    factor = PANEL_PX // max(width, height)
    if factor >= LEAST_FACTOR:
        return whole, _around(middle, PANEL_PX / factor), factor
    corner = project(_point_of_interest(shown), shown.T_camera_target, camera)[0]
    size = PANEL_PX / PATCH_FACTOR
    u = min(max(round(corner[0]), picture.u0 + size / 2), picture.u0 + width - size / 2)
    v = min(max(round(corner[1]), picture.v0 + size / 2), picture.v0 + height - size / 2)
    return whole, _around((round(u), round(v)), size), PATCH_FACTOR


def _point_of_interest(shown: Illustrated) -> Array:
    """Return the point of the face (1, 3) that is enlarged: what is wrong, else a corner."""
    target, scene = shown.setting.target, shown.scene
    if scene.covers:
        cover = scene.covers[0]
        x, y = place_of(target, cover)
        if not cover.round_:
            # the edge of a clamp or post tells more than its middle
            x -= math.copysign(0.5 * cover.width * target.drawing.width, cover.x)
        return np.array([[x, y, 0.0]])
    return corner_of(target)[None]


def _around(middle: tuple[int, int], size: float) -> Window:
    half = int(size // 2)
    return middle[0] - half, middle[1] - half, size


def _show(axes: Axes, shown: Illustrated, window: Window, factor: int) -> None:
    """Show the pixels of a window, each `factor` dots wide; beyond the picture it is hatched."""
    picture = shown.picture
    u, v, size = window
    height, width = picture.grey.shape
    axes.set_facecolor("#e8e8e8")
    axes.imshow(
        # as colours, which are passed on as they are: a colour map rounds some greys by one
        np.repeat(picture.grey8[:, :, None], 3, axis=2),
        interpolation="nearest",
        extent=(
            picture.u0 - 0.5,
            picture.u0 + width - 0.5,
            picture.v0 + height - 0.5,
            picture.v0 - 0.5,
        ),
    )
    axes.set(xlim=(u - 0.5, u - 0.5 + size), ylim=(v - 0.5 + size, v - 0.5), xticks=[], yticks=[])
    axes.set_aspect("auto")
    for spine in axes.spines.values():
        spine.set(color=style.MUTED, linewidth=0.6)


def _both_solutions(axes: Axes, shown: Illustrated) -> None:
    """Outline the pattern as it is, and as the mirrored pose would have it (dashed)."""
    T = shown.T_camera_target
    normal, mirrored = T.rotation[:, 2], mirrored_normal(T)
    axis = np.cross(normal, mirrored)
    sine = float(np.linalg.norm(axis))
    angle = float(np.arctan2(sine, normal @ mirrored))
    other = Pose(exp_rotvec(axis / sine * angle) @ T.rotation, T.translation) if sine else T
    _outlined(axes, shown, T, BLUE, "-")
    _outlined(axes, shown, other, RED, (0, (3, 2)))


def _outlined(axes: Axes, shown: Illustrated, pose: Pose, colour: str, line: style.Line) -> None:
    corners = project(_hull(target_points(shown.setting.target)), pose, shown.setting.camera)
    closed = np.vstack((corners, corners[:1]))
    axes.plot(*closed.T, color=colour, ls=line, lw=1.4)


def _hull(points: Array) -> Array:
    """Return the corners of the points' bounding box (4, 3)."""
    low, high = points.min(axis=0), points.max(axis=0)
    return np.array([[x, y, 0.0] for x, y in _ring(low, high)])


def _ring(low: Array, high: Array) -> list[tuple[float, float]]:
    return [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]


def _geometry(shown: Illustrated, captions: Captions) -> str:
    if shown.scene.diagram in ("above", "side"):
        return captions.texts["words.angle_true"]
    factor = DRAWN_SLIP if shown.scene.diagram == "bar" else DRAWN_LEAN
    return captions.say("words.angle_drawn", {"factor": f"{factor:g}"})


# By class of verdict: fill, edge and hatch.
FILLS = {"inside": (BLUE, BLUE, ""), "outside": ("#f4c7a5", RED, "////")}
UNDECIDED = ("#e6e6e6", style.MUTED, "....")
BAR_WIDTH, BAR_SPAN, BAR_Y = SIZE, 3.0, 0.975  # inches, tolerances across, and inches


def _bar(axes: Axes, texts: Said, words: dict[str, str]) -> None:
    """Draw the error as a bar against the tolerance, and the verdict in words beside it."""
    y, height = BAR_Y, 0.12
    axes.add_patch(Rectangle((LEFT, y), BAR_WIDTH, height, fc="white", ec=style.MUTED, lw=0.8))
    if texts.error_deg is not None:
        share = min(texts.error_deg / texts.tolerance_deg / BAR_SPAN, 1.0)
        fill, edge, hatch = FILLS.get(texts.verdict_class, UNDECIDED)
        axes.add_patch(
            Rectangle(
                (LEFT, y),
                share * BAR_WIDTH,
                height,
                fc=fill,
                ec=edge,
                hatch=hatch,
                lw=0.8,
            )
        )
        if share == 1.0:
            axes.text(
                LEFT + BAR_WIDTH + 0.01, y + 0.06, "»", size=style.LARGE, va="center", color=RED
            )
    if texts.low_deg is not None and texts.high_deg is not None:
        ends = [
            LEFT + BAR_WIDTH * min(end / texts.tolerance_deg / BAR_SPAN, 1.0)
            for end in (texts.low_deg, texts.high_deg)
        ]
        axes.plot(ends, [y + 0.5 * height] * 2, color=style.INK, lw=1.0, marker="|", ms=4.0)
    mark = LEFT + BAR_WIDTH / BAR_SPAN
    axes.plot([mark, mark], [y - 0.02, y + height + 0.02], color=style.INK, lw=1.6)
    axes.text(
        PANELS_X[1],
        y + 0.06,
        texts.verdict,
        size=style.SMALL,
        va="center",
        weight="bold",
    )
