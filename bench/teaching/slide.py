"""Slides of teaching pictures: a good view beside a spoilt one, and one view as a card.

A half has a verdict's mark and words, what the camera sees with an arrow at the edge that the
picture is about, the cause as a schematic, that edge enlarged, and a bar with its scale; below
stands the lesson, largest, and numbers, smallest. A full-HD screen shows one dot of a camera's
pixel as one of its own.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from bench.draw import style
from bench.draw.page_layout import wrap
from bench.geometry.camera import project
from bench.geometry.pose import Pose
from bench.scene.model import Bay
from bench.solve.ambiguity import mirrored_pose
from bench.solve.response import target_points
from bench.teaching.captions import WORDS, Captions
from bench.teaching.causes import draw_cause
from bench.teaching.edges import edge_of
from bench.teaching.marks import BLUE, RED, draw_arrow, draw_verdict
from bench.teaching.sketch import HIGH, WIDE
from bench.teaching.trials import Illustrated
from bench.teaching.words import Said, said, values_of
from bench.typing import Array

DPI = 220.0
SLIDE = (1920 / DPI, 1080 / DPI)  # 16:9
CARD = (4.5, SLIDE[1])
PANEL, PANEL_PX = HIGH, round(HIGH * DPI)
LEFT, HALF = 0.15, 4.15  # margin, and width of a half
PATCH_PX, PATCH_FACTOR = 24, 8  # of the enlarged edge: sensor pixels, and dots of each
PATCH = PATCH_PX * PATCH_FACTOR / DPI
PANEL_Y, PATCH_Y, BAR_Y = 2.38, 1.42, 1.68  # inches from below
LESSON_Y, NUMBERS_Y = 1.22, 0.4
LESSON, SMALLEST = 17.0, 7.5  # type, points
SPAN = 3.0  # tolerances across a bar
# Grey levels that a patch must span, of those of the whole picture, to show anything.
CONTRAST = 0.25
FAINT = 40  # of 255: a patch that spans fewer is drawn brighter, and says so
# Between a number and its unit no line ends.
_UNIT = re.compile(r"(?<=\d) (?=(?:deg|°|px|mm|m|%)(?!\w))")


def wrapped(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """Return a text's lines in a width, inches, at a size of type, points."""
    kept = _UNIT.sub("\N{NO-BREAK SPACE}", text)
    return wrap(kept, width, size, "bold" if bold else "normal")


def slide_figure(shown: Illustrated, bay: Bay, captions: Captions) -> Figure:
    """Return a slide: the set's good view on the left, the spoilt one on the right."""
    figure = style.new_figure(*SLIDE, DPI)
    draw_slide(figure, (0.0, 0.0), shown, bay, captions)
    return figure


def draw_slide(
    figure: Figure, at: tuple[float, float], shown: Illustrated, bay: Bay, captions: Captions
) -> None:
    """Draw a slide with its lower left corner at `at`, inches."""
    assert shown.reference is not None  # a slide is of a spoilt view
    texts = said(shown, bay, captions)
    frame = _frame(figure, at, SLIDE)
    _heading(frame, SLIDE, texts.title, captions.texts.get(f"set.{shown.scene.set}", ""))
    for k, (one, about) in enumerate(((shown.reference, shown), (shown, None))):
        draw_half(figure, frame, at, LEFT + k * (HALF + 0.12), one, bay, captions, about)
    frame.plot([SLIDE[0] / 2 - 0.01] * 2, [1.35, 4.5], color=style.FAINT, lw=1.0)
    _lesson(frame, texts, SLIDE[0] - 2 * LEFT, LESSON)


def card_figure(
    shown: Illustrated, bay: Bay, captions: Captions, scene_key: str | None = None
) -> Figure:
    """Return one view alone, as a card; `scene_key` takes another scene's words."""
    figure = style.new_figure(*CARD, DPI)
    frame = _frame(figure, (0.0, 0.0), CARD)
    texts = said(shown, bay, captions, scene_key)
    _heading(frame, CARD, texts.title, "")
    draw_half(figure, frame, (0.0, 0.0), LEFT, shown, bay, captions, None, scene_key)
    _lesson(frame, texts, HALF, 10.5)
    return figure


def frame_of(figure: Figure, title: str, of: str) -> Axes:
    """Return a slide's frame, in inches, with its title and what it belongs to."""
    frame = _frame(figure, (0.0, 0.0), SLIDE)
    _heading(frame, SLIDE, title, of)
    return frame


def _frame(figure: Figure, at: tuple[float, float], size: tuple[float, float]) -> Axes:
    frame = _axes(figure, *at, *size)
    frame.set(xlim=(0, size[0]), ylim=(0, size[1]))
    frame.axis("off")
    frame.set_zorder(1.0)  # arrows lie over pictures
    return frame


def _axes(figure: Figure, x: float, y: float, width: float, height: float) -> Axes:
    # whole dots, so that a pixel of the camera falls on a dot
    w, h = figure.get_size_inches()
    left, low = round(x * DPI) / DPI, round(y * DPI) / DPI
    return figure.add_axes((left / w, low / h, width / w, height / h))


def _heading(frame: Axes, size: tuple[float, float], title: str, of: str) -> None:
    y = size[1] - 0.2
    frame.text(LEFT, y, title, size=12, va="center", weight="bold")
    frame.text(size[0] - LEFT, y, of, size=9, va="center", ha="right", color=style.MUTED)


def balanced(text: str, width: float, size: float) -> list[str]:
    """Return bold lines of like length, as few as have room in a width, inches."""
    lines = wrapped(text, width, size, bold=True)
    while width > 1.0 and len(tighter := wrapped(text, width - 0.3, size, True)) == len(lines):
        lines, width = tighter, width - 0.3
    return lines


def _lesson(frame: Axes, texts: Said, width: float, most: float) -> None:
    for size in (most, most - 1.5, most - 3.0):
        lines = balanced(texts.lesson, width, size)
        if len(lines) <= 2:
            break
    look: dict[str, Any] = {"va": "top", "linespacing": 1.15}
    frame.text(LEFT, LESSON_Y, "\n".join(lines), size=size, weight="bold", **look)
    low = LESSON_Y - len(lines) * size * 1.2 / 72.0 - 0.04
    frame.text(LEFT, low, "\n".join(wrapped(texts.more, width, 9.5)), size=9.5, **look)


@dataclass(frozen=True, eq=False)
class _Half:
    """One view of a slide with what it is drawn by; `x` is its left edge, inches of the frame."""

    figure: Figure
    frame: Axes
    at: tuple[float, float]
    x: float
    shown: Illustrated
    about: Illustrated | None
    texts: Said
    words: dict[str, str]
    values: dict[str, str]
    captions: Captions

    @property
    def pair(self) -> Illustrated:
        return self.shown if self.about is None else self.about

    @property
    def colour(self) -> str:
        return {"inside": BLUE, "unsure": style.MUTED}.get(self.texts.verdict, RED)

    def axes(self, right: float, low: float, width: float, height: float) -> Axes:
        """Return axes that end so far from the half's left edge."""
        return _axes(self.figure, self.at[0] + self.x + right - width, self.at[1] + low, width,
                     height)  # fmt: skip

    def note(self, right: float, low: float, text: str, **how: Any) -> None:
        look: dict[str, Any] = {"size": SMALLEST, "color": style.MUTED, "va": "center"}
        self.frame.text(self.x + right, low, text, **look | how)


def draw_half(
    figure: Figure,
    frame: Axes,
    at: tuple[float, float],
    x: float,
    shown: Illustrated,
    bay: Bay,
    captions: Captions,
    about: Illustrated | None,
    scene_key: str | None = None,
) -> None:
    """Draw one view from `x` on, inches of the frame; `about` is the spoilt one beside it."""
    texts = said(shown, bay, captions, scene_key, about)
    values = values_of(shown, bay, captions, about)
    words = {word: captions.texts[f"words.{word}"] for word in WORDS}
    of_pair = values_of(shown if about is None else about, bay, captions)
    filled = ("cure", "there", "wanted", "drawn")
    words |= {name: captions.say(f"words.{name}", of_pair) for name in filled}
    half = _Half(figure, frame, at, x, shown, about, texts, words, values, captions)
    draw_verdict(frame, (x + 0.17, 4.41), texts.verdict)
    frame.text(
        x + 0.46, 4.41, texts.headline, size=11.5, weight="bold", va="center", color=half.colour
    )
    draw_cause(half.axes(HALF, PANEL_Y, WIDE, HIGH), shown, bay, values, words, about)
    # the same place in both where the view is the same
    same = half.pair.same_view
    edge = _sharp(half.pair if same else shown, None if same else about)
    panel = _seen(half)
    _enlarged(half, panel, edge)
    _marked(half, panel, edge)
    _bar(half, mean=shown.scene.slip is not None or bool(shown.scene.astray))
    numbers = "\n".join(wrapped(texts.numbers, HALF, SMALLEST))
    half.note(0.0, NUMBERS_Y, numbers, va="top", linespacing=1.15)


def _seen(half: _Half) -> Axes:
    """Draw what the camera sees, with the poses that it is about; return its axes."""
    at = (half.at[0] + half.x, half.at[1] + PANEL_Y)
    panel, factor = _camera(half.figure, at, half.shown)
    if half.pair.scene.set == "mirror":
        _both_solutions(panel, half.shown)
    if half.shown.T_before is not None and half.shown.scene.slip:
        _outlined(panel, half.shown, half.shown.T_before, RED, (0, (3, 2)))
    enlarged = half.captions.say("words.enlarged", {"factor": f"{factor:.0f}"})
    zoom = half.words["dot"] if factor == 1.0 else enlarged
    half.note(0.0, PANEL_Y - 0.07, half.words["shrunk"] if factor < 1.0 else zoom)
    return panel


def _enlarged(half: _Half, panel: Axes, edge: Array) -> None:
    """Draw the edge's surroundings enlarged, and where they are in the camera's picture."""
    shown, size = half.shown, PATCH_PX
    u, v = _first(shown, edge)
    panel.add_patch(Rectangle((u - 0.5, v - 0.5), size, size, fill=False, ec=half.colour, lw=1.2))
    patch = half.axes(HALF, PATCH_Y, PATCH, PATCH)
    part = shown.picture.grey8[v - shown.picture.v0 :, u - shown.picture.u0 :][:size, :size]
    span = (int(part.min()), int(part.max())) if np.ptp(part) < FAINT else None
    _show(patch, shown, (u - 0.5, u - 0.5 + size), (v - 0.5 + size, v - 0.5), span=span)
    _found(patch, shown, half.colour)
    name = "words.enlarged" if span is None else "words.brightened"
    enlarged = half.captions.say(name, {"factor": str(PATCH_FACTOR)})
    half.note(HALF, PATCH_Y - 0.075, enlarged, ha="right")


def _marked(half: _Half, panel: Axes, edge: Array) -> None:
    """Write the mark, with an arrow from it to the edge that it speaks of."""
    frame, x = half.frame, half.x
    for size in (9.5, 8.5, SMALLEST):
        mark = wrapped(half.texts.mark, HALF - PATCH - 0.12, size)
        if len(mark) <= 2:
            break
    frame.text(x, PANEL_Y - 0.16, "\n".join(mark), size=size, va="top", linespacing=1.1)
    tip = frame.transData.inverted().transform(panel.transData.transform(edge))
    tip[0] = min(max(tip[0], x + 0.03), x + PANEL - 0.03)
    start = np.array([min(max(tip[0] - 0.35, x + 1.05), x + 1.6), PANEL_Y - 0.15])
    way = tip - start
    end = tip - 0.07 * way / np.linalg.norm(way)
    draw_arrow(frame, start, end, color="white", lw=3.6, arrowstyle="-")
    draw_arrow(frame, start, end, color=half.colour, lw=1.8, zorder=6)


def _camera(figure: Figure, at: tuple[float, float], shown: Illustrated) -> tuple[Axes, float]:
    """Draw what the camera sees, whole pixels of whole dots, and how much enlarged it is."""
    height, width = shown.picture.grey.shape
    room = PANEL_PX / max(height, width)
    factor = float(math.floor(room)) if room >= 1.0 else room
    w, h = factor * width / DPI, factor * height / DPI
    x, y = at[0] + 0.5 * (PANEL - w), at[1] + 0.5 * (PANEL - h)
    axes = _axes(figure, x, y, w, h)
    u, v = shown.picture.u0 - 0.5, shown.picture.v0 - 0.5
    _show(axes, shown, (u, u + width), (v + height, v), smooth=factor < 1.0)
    return axes, factor


def _show(
    axes: Axes,
    shown: Illustrated,
    across: tuple[float, float],
    down: tuple[float, float],
    smooth: bool = False,
    span: tuple[int, int] | None = None,
) -> None:
    picture, camera = shown.picture, shown.setting.camera
    height, width = picture.grey.shape
    u, v = picture.u0 - 0.5, picture.v0 - 0.5
    grey = picture.grey8
    if span is not None:
        stretched = (grey - float(span[0])) * 255.0 / max(span[1] - span[0], 1)
        grey = np.clip(stretched, 0, 255).astype(np.uint8)
    axes.imshow(
        # as colours, which are passed on as they are: a colour map rounds some greys by one
        np.repeat(grey[:, :, None], 3, axis=2),
        interpolation="antialiased" if smooth else "nearest",
        extent=(u, u + width, v + height, v),
    )
    axes.set(xlim=across, ylim=down, xticks=[], yticks=[])
    axes.set_aspect("auto")
    for spine in axes.spines.values():
        spine.set(color=style.MUTED, linewidth=0.6)
    if across[1] > camera.width - 1.0:  # the sensor ends here
        axes.spines["right"].set(color=RED, linewidth=3.0)


def _first(shown: Illustrated, place: Array) -> tuple[int, int]:
    """Return the first column and row of what is enlarged about a pixel, all in the picture."""
    picture = shown.picture
    height, width = picture.grey.shape
    u = min(max(round(float(place[0])) - PATCH_PX // 2 - picture.u0, 0), max(width - PATCH_PX, 0))
    v = min(max(round(float(place[1])) - PATCH_PX // 2 - picture.v0, 0), max(height - PATCH_PX, 0))
    return u + picture.u0, v + picture.v0


def _sharp(shown: Illustrated, about: Illustrated | None) -> Array:
    """Return the pixel of the edge that a picture is about, or of the nearest that shows one."""
    picture, edge = shown.picture, edge_of(shown, about)
    grey, camera = picture.grey8, shown.setting.camera
    box = _hull(shown)
    share = np.linspace(0.0, 1.0, 24, endpoint=False)[:, None]
    sides = [a + share * (b - a) for a, b in zip(box, np.roll(box, -1, axis=0), strict=True)]
    border = project(np.vstack(sides), shown.T_camera_target, camera)
    order = np.argsort(np.linalg.norm(border - edge, axis=1))
    for place in (edge, *border[order]):
        u, v = _first(shown, place)
        part = grey[v - picture.v0 :, u - picture.u0 :][:PATCH_PX, :PATCH_PX]
        if np.ptp(part) >= CONTRAST * np.ptp(grey):
            return np.asarray(place)
    return edge


def _found(axes: Axes, shown: Illustrated, colour: str) -> None:
    """Mark where points are found, and from where they have moved."""
    across, down = axes.get_xlim(), axes.get_ylim()
    there = shown.reference.found if shown.same_view and shown.reference else {}
    for point, (u, v) in shown.found.items():
        if not (across[0] < u < across[1] and down[1] < v < down[0]):
            continue
        axes.plot([u], [v], marker="+", ms=11, mew=1.8, color=colour)
        old = there.get(point)
        if old is not None and math.dist(old, (u, v)) > 1.0:
            draw_arrow(axes, old, (u, v), color=colour)
    axes.set(xlim=across, ylim=down)


def _both_solutions(axes: Axes, shown: Illustrated) -> None:
    """Outline the pattern as it is, and as the mirrored pose would have it (dashed)."""
    _outlined(axes, shown, shown.T_camera_target, BLUE, "-")
    _outlined(axes, shown, mirrored_pose(shown.T_camera_target), RED, (0, (3, 2)))


def _outlined(axes: Axes, shown: Illustrated, pose: Pose, colour: str, line: style.Line) -> None:
    corners = _hull(shown)
    corners = np.vstack((corners, corners[:1]))
    axes.plot(*project(corners, pose, shown.setting.camera).T, color=colour, ls=line, lw=1.4)


def _hull(shown: Illustrated) -> Array:
    """Return the corners (4, 3) of the pattern's box on the face."""
    points = target_points(shown.setting.target)
    low, high = points.min(axis=0), points.max(axis=0)
    ring = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
    return np.array([[x, y, 0.0] for x, y in ring])


# By verdict: fill, edge and hatch.
FILLS = {"inside": (BLUE, BLUE, ""), "unsure": ("#e6e6e6", style.MUTED, "....")}
SPOILT = ("#f4c7a5", RED, "////")


def _bar(half: _Half, mean: bool) -> None:
    """Draw the error as a bar on a scale of tolerances, which is labelled."""
    axes, x, texts, captions = half.frame, half.x, half.texts, half.captions
    width, height = HALF - PATCH - 0.22, 0.11
    axes.add_patch(Rectangle((x, BAR_Y), width, height, fc="white", ec=style.MUTED, lw=0.8))

    def along(error_deg: float) -> float:
        return x + width * min(error_deg / texts.tolerance_deg / SPAN, 1.0)

    if texts.error_deg is None:  # an empty bar alone would read as no error
        empty = captions.say("words.empty", half.values)
        half.note(width - 0.05, BAR_Y + 0.5 * height, empty, ha="right")
    else:
        fill, edge, hatch = FILLS.get(texts.verdict, SPOILT)
        long = along(texts.error_deg) - x
        axes.add_patch(Rectangle((x, BAR_Y), long, height, fc=fill, ec=edge, hatch=hatch, lw=0.8))
        if texts.error_deg > SPAN * texts.tolerance_deg:
            half.note(width + 0.02, BAR_Y + 0.05, "»", size=style.LARGE, color=RED)
    if texts.low_deg is not None and texts.high_deg is not None:
        ends = [along(texts.low_deg), along(texts.high_deg)]
        axes.plot(ends, [BAR_Y + 0.5 * height] * 2, color=style.INK, lw=1.0, marker="|", ms=4.0)
    limit = along(texts.tolerance_deg)
    axes.plot([limit] * 2, [BAR_Y - 0.03, BAR_Y + height + 0.03], color=style.INK, lw=1.8)
    half.note(0.0, BAR_Y - 0.09, "0")
    tolerance = captions.say("words.tolerance", half.values)
    half.note(limit - x, BAR_Y - 0.09, tolerance, ha="center", color=style.INK)
    end = captions.number(SPAN * texts.tolerance_deg, "deg")
    half.note(width, BAR_Y - 0.09, end, ha="right")
    half.note(0.0, BAR_Y - 0.21, half.words["scale_mean" if mean else "scale"])
