"""Schematics of teaching pictures: the cause, drawn from above, and what it does to the sight."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Arc, Circle, Ellipse, Polygon, Rectangle

from bench.draw import style
from bench.scene.model import Bay
from bench.teaching.astray import draw_askew, draw_bar, draw_bump, draw_lean, draw_swapped
from bench.teaching.marks import (
    AMBER,
    BLUE,
    RED,
    draw_arrow,
    draw_camera,
    draw_lamp,
    draw_line,
    draw_plate,
    heading,
    write,
)
from bench.teaching.scenes import Scene
from bench.teaching.sketch import EYE, HALF, HIGH, REACH, WIDE, Sketch, box
from bench.teaching.trials import Illustrated
from bench.teaching.views import lamp_of
from bench.teaching.words import DRAWN_TWIST


def draw_cause(
    axes: Axes,
    shown: Illustrated,
    bay: Bay,
    values: dict[str, str],
    words: dict[str, str],
    about: Illustrated | None = None,
) -> None:
    """Draw a picture's schematic; `about` is the spoilt picture beside a good one."""
    axes.set(xlim=(0, WIDE), ylim=(0, HIGH), aspect="equal")
    axes.axis("off")
    pair = shown if about is None else about
    scene, good = pair.scene, pair.reference
    aside = abs(scene.pitch) > abs(scene.turn)
    t = shown.T_camera_target.translation
    beta = -math.atan2(t[1] if aside else t[0], t[2])
    turn = math.radians(shown.pitch_deg if aside else shown.turn_deg)
    reach = REACH
    if good is not None and good.range_m != pair.range_m:
        reach *= min(1.0, (shown.range_m / max(good.range_m, pair.range_m)) ** 0.3)
    if scene.margin is not None:
        beta *= 1.0 if shown is pair else 0.0
    at, toward = EYE + reach * heading(beta), math.pi + beta
    bad = good is not None and shown is pair
    sketch = Sketch(axes, shown, scene, bad, bay, values, words, at, toward, toward + turn)
    if scene.slip is not None:
        draw_bar(sketch)
    elif scene.astray:
        ASTRAY[scene.astray](sketch)
    else:
        _sight(sketch)
        usual = Scene(set=scene.set, name=scene.name) if good is None else good.scene
        given = {k for k, v in scene.content.items() if v != usual.content[k]}
        for name in DRAWERS:
            if name in given and getattr(scene, name) is not None:
                DRAWERS[name](sketch)
        if good is None:
            _angle(sketch)
        write(axes, (0.02, 1.73), words["from_side" if aside else "from_above"], ha="left")


def _sight(s: Sketch) -> None:
    camera = s.shown.setting.camera
    half_view = math.atan(0.5 * camera.width / camera.fx)
    for sign in (-1.0, 1.0):
        draw_line(s.axes, EYE, EYE + 1.75 * heading(sign * half_view), color=style.FAINT)
    draw_line(s.axes, EYE, s.at, ls="--")
    draw_camera(s.axes, EYE, 0.0)
    if not (s.bad and s.scene.twist):
        draw_plate(s.axes, s.at, s.normal)


def _angle(s: Sketch) -> None:
    tip = s.at + 0.42 * heading(s.normal)
    draw_arrow(s.axes, s.at, tip, color=BLUE)
    if abs(s.normal - s.toward) > math.radians(1.0):
        low, high = sorted((math.degrees(s.toward), math.degrees(s.normal)))
        s.axes.add_patch(Arc(tuple(s.at), 0.6, 0.6, theta1=low, theta2=high, color=BLUE))
    below = -1.0 if s.normal >= s.toward else 1.0
    write(s.axes, (s.at[0] - 0.1, s.at[1] + 0.55 * below), s.values["tilt"], color=BLUE)


def _range(s: Sketch) -> None:
    low = np.array([0.0, 0.33])
    draw_arrow(s.axes, EYE + low, s.at + low, color=style.MUTED, arrowstyle="<|-|>", lw=0.8)
    write(s.axes, 0.5 * (EYE + s.at) + low, s.values["range"])
    if s.scene.set == "mirror":
        draw_plate(s.axes, s.at, 2.0 * s.toward - s.normal, color=RED, lw=2.0, ls=(0, (1.5, 1)))
        write(s.axes, (s.at[0], 0.5), s.words["mirrored"], color=RED)


def _margin(s: Sketch) -> None:
    camera = s.shown.setting.camera
    half_view = math.atan(0.5 * camera.width / camera.fx)
    end = EYE + 1.75 * heading(-half_view)
    draw_line(s.axes, EYE, end, color=RED if s.bad else BLUE, lw=1.5)
    write(s.axes, (1.1, 0.12), s.words["edge"], color=RED if s.bad else BLUE)
    draw_arrow(s.axes, (1.1, 0.2), EYE + 1.0 * heading(-half_view), color=style.MUTED, lw=0.8)


def _covers(s: Sketch) -> None:
    for cover in s.scene.covers:
        along = heading(s.normal + 0.5 * math.pi)
        # seen from above, the plate's own right lies below
        hit = (
            s.at + 2.0 * HALF * np.clip(cover.x if not cover.on_corner else 0.4, -0.5, 0.5) * along
        )
        word = s.words[cover.kind]
        if cover.kind == "mud" and s.bad:
            spot = hit + 0.03 * heading(s.normal)
            s.axes.add_patch(Ellipse(tuple(spot), 0.12, 0.09, fc="#6b4a2b", zorder=4))
            write(s.axes, hit + (0.0, -0.28), word, color=RED)
            draw_arrow(s.axes, hit + (0.0, -0.21), spot + (0.0, -0.03))
        elif cover.kind == "clamp":
            deep = 0.14 if s.bad else -0.02
            ends = [s.at + HALF * along * 1.25 + k * heading(s.normal) for k in (0.05, -0.05)]
            jaw = [e - (deep + 0.05) * along for e in ends] if s.bad else ends
            draw_line(
                s.axes, jaw[0], ends[0], ends[1], jaw[1], color=RED if s.bad else BLUE, lw=2.5
            )
            write(s.axes, ends[0] + (-0.1, 0.2 * along[1] / abs(along[1] or 1.0)), word,
                  color=RED if s.bad else BLUE)  # fmt: skip
        elif cover.kind == "post":
            place = EYE + 0.55 * (hit - EYE)
            aside = np.array([0.0, 0.0 if s.bad else 0.48 * np.sign(place[1] - EYE[1] or 1.0)])
            s.axes.add_patch(Circle(tuple(place + aside), 0.09, fc="#55503f", zorder=4))
            write(s.axes, place + aside + (0.0, 0.2), word, color=RED if s.bad else BLUE)
            if s.bad:
                draw_line(s.axes, EYE, place, color=RED, lw=1.4)
                draw_line(s.axes, place, hit, color=RED, lw=1.0, ls=":")
        elif cover.kind == "tyre":
            # behind the plate and, where it bulges, before it
            back = s.at - 0.2 * heading(s.normal) + 0.16 * along
            ahead = 0.2 if s.bad else -0.1
            body = box(
                back + 0.5 * (ahead - 0.12) * heading(s.normal), s.normal, 0.24 + ahead, 0.3
            )
            s.axes.add_patch(Polygon(body, fc="#3a3a3a", ec="none", zorder=4 if s.bad else 0))
            write(s.axes, (s.at[0] + 0.15, 1.5), word, color=RED if s.bad else BLUE)


def _spot(s: Sketch) -> None:
    """Draw the ray from the lamp by way of the plate, and the lamp's mirror image."""
    lamp = lamp_of(s.bay, s.scene, s.shown.T_camera_target)
    cure = math.radians(0.0 if lamp is None or math.isnan(lamp[1]) else lamp[1])
    away = 0.0 if s.bad else -2.0 * abs(cure) * np.sign(s.toward - s.normal)
    comes = 2.0 * s.normal - s.toward + away
    goes = s.toward - away
    place = s.at + 0.85 * heading(comes)
    place[1] = min(max(place[1], 0.14), 1.66)
    comes = math.atan2(*(place - s.at)[::-1])
    goes = 2.0 * s.normal - comes if not s.bad else s.toward
    colour = RED if s.bad else BLUE
    draw_lamp(s.axes, place)
    draw_line(s.axes, place, s.at, color=AMBER, lw=1.8)
    end = EYE + (0.03, 0.0) if s.bad else s.at + 1.1 * heading(goes)
    draw_arrow(s.axes, s.at, end, color=AMBER, lw=1.8)
    write(s.axes, place + (-0.14, 0.0), s.words["lamp"], color=colour, ha="right")
    if s.bad:
        n = heading(s.normal)
        image = place - 2.0 * float((place - s.at) @ n) * n
        image = s.at + 0.42 * (image - s.at) / np.linalg.norm(image - s.at)
        draw_line(s.axes, s.at, image, color=AMBER, ls=":", lw=1.2)
        draw_lamp(s.axes, image, ls=":")
        write(s.axes, (WIDE - 0.02, image[1] + 0.45), s.words["image"], ha="right", color=RED)
        write(s.axes, (WIDE - 0.02, 1.65), s.words["cure"], ha="right", color=BLUE)


def _gradient(s: Sketch) -> None:
    x = 1.0
    colour = RED if s.bad else BLUE
    s.axes.add_patch(
        Rectangle(
            (x, 0.06),
            0.5,
            0.06,
            fc=AMBER if s.bad else "white",
            ec=style.INK,
            lw=0.8,
            hatch="" if s.bad else "||||",
        )
    )
    if s.bad:
        for k in (0.1, 0.25, 0.4):
            start = np.array([x + k, 0.14])
            draw_arrow(s.axes, start, s.at + (-0.06 + 0.2 * (k - 0.25), -0.3), color=AMBER)
    write(s.axes, (x - 0.05, 0.1), s.words["window"], ha="right", color=colour)


def _shade(s: Sketch) -> None:
    lamp, colour = np.array([0.95, 1.5]), RED if s.bad else BLUE
    along = heading(s.normal + 0.5 * math.pi)
    ends = [s.at + k * HALF * along for k in (-1.0, 0.1, 1.0)]
    ends = sorted(ends, key=lambda p: -p[1])
    draw_lamp(s.axes, lamp)
    write(s.axes, lamp + (0.2, 0.04), s.words["lamp"], ha="left", color=colour)
    for k, end in enumerate(ends):
        if s.bad and k == 2:
            stop = lamp + 0.42 * (end - lamp)
            draw_line(s.axes, lamp, stop, color=AMBER, lw=1.2)
            s.axes.add_patch(Circle(tuple(stop), 0.08, fc="#55503f", zorder=4))
            dark = np.array([stop, ends[1], end])
            s.axes.add_patch(Polygon(dark, fc="#bdbdbd", ec="none", zorder=0))
            middle = dark.mean(axis=0)
            write(s.axes, (middle[0] - 0.1, 0.42), s.words["shade"], color=RED)
            draw_arrow(s.axes, (middle[0] - 0.05, 0.5), middle)
        else:
            draw_line(s.axes, lamp, end, color=AMBER, lw=1.2)


def _light(s: Sketch) -> None:
    if s.scene.gradient:
        return
    place, bright = np.array([0.95, 1.5]), s.scene.light > 1.0
    if bright and s.bad:
        s.axes.add_patch(Circle(tuple(place), 0.13, fc=AMBER, ec="none"))
        for k in (-0.16, 0.0, 0.16):
            draw_arrow(s.axes, place + (0.12, -0.12), s.at + (0.0, k + 0.03), color=AMBER, lw=2.0)
        write(s.axes, place + (-0.18, 0.0), s.words["sun"], ha="right", color=RED)
    elif not bright:
        colour = style.FAINT if s.bad else AMBER
        draw_lamp(s.axes, place, colour)
        write(s.axes, place + (-0.18, 0.0), s.words["lamp"], ha="right",
              color=RED if s.bad else BLUE)  # fmt: skip
        if not s.bad:
            draw_line(s.axes, place, s.at, color=AMBER, lw=1.5)


def _veil(s: Sketch) -> None:
    if s.bad:
        lens = EYE + (0.03, 0.0)
        s.axes.add_patch(Ellipse(tuple(lens), 0.06, 0.2, fc="#b9a36b", ec=RED, lw=0.8, zorder=5))
        for k in (-0.3, -0.1, 0.1, 0.3):
            draw_line(s.axes, lens, lens + (-0.2, k), color=AMBER, lw=0.8)
        write(s.axes, EYE + (0.1, -0.3), s.words["grease"], color=RED)
        draw_arrow(s.axes, EYE + (0.07, -0.23), lens + (0.0, -0.1))


def _motion(s: Sketch) -> None:
    if s.bad:
        for k in (0.05, -0.05):
            draw_camera(s.axes, EYE + (0.0, k), 0.0, "#9a9a9a")
        draw_camera(s.axes, EYE, 0.0)
        up = np.array([-0.08, 0.32])
        draw_arrow(s.axes, EYE - up * (-1, 1), EYE + up, arrowstyle="<|-|>", lw=1.6)


def _focus(s: Sketch) -> None:
    x = EYE[0] + (0.3 if s.bad else s.at[0] - EYE[0])
    colour = RED if s.bad else BLUE
    draw_line(s.axes, (x, 0.55), (x, 1.35), color=colour, ls="--", lw=1.4)
    for sign in (-1.0, 1.0):
        wide = 0.13 * sign
        draw_line(s.axes, EYE + (0.0, wide), (x, EYE[1]), s.at + (0.0, -wide if s.bad else 0.0),
                  color=AMBER, lw=0.9)  # fmt: skip
    write(s.axes, (x, 0.44), s.words["focus"], color=colour, ha="left" if s.bad else "center")


def _twist(s: Sketch) -> None:
    """Draw the plate's upper and lower edges, which cross as seen from above."""
    lean = math.atan(DRAWN_TWIST * s.scene.twist * 2.0 / s.bay.target.drawing.width)
    if s.bad:
        draw_plate(s.axes, s.at, s.normal, ls=(0, (1.5, 1)), lw=1.2, color=style.MUTED)
        draw_plate(s.axes, s.at, s.normal + lean, color=RED, lw=2.2)
        draw_plate(s.axes, s.at, s.normal - lean, lw=2.2)
        tip = s.at - HALF * heading(s.normal + lean + 0.5 * math.pi)
        write(s.axes, (s.at[0] + 0.05, s.at[1] + 0.42), s.values["twist"], color=RED)
        draw_arrow(s.axes, (s.at[0] + 0.05, s.at[1] + 0.35), tip)


def _other_id(s: Sketch) -> None:
    if s.bad:
        write(s.axes, s.at + (0.0, -0.35), s.words["there"], color=RED)
        write(s.axes, EYE + (0.05, 0.3), s.words["wanted"], ha="left", color=BLUE)


# What is drawn of that which stands astray.
ASTRAY: dict[str, Callable[[Sketch], None]] = {
    "lean": draw_lean,
    "bump": draw_bump,
    "plate": draw_askew,
    "wheels": draw_swapped,
}
# What is drawn for each key in which a scene differs from its good view.
DRAWERS: dict[str, Callable[[Sketch], None]] = {
    "turn": _angle,
    "pitch": _angle,
    "times": _range,
    "margin": _margin,
    "covers": _covers,
    "spot": _spot,
    "gradient": _gradient,
    "shade": _shade,
    "light": _light,
    "veil": _veil,
    "motion": _motion,
    "focus": _focus,
    "twist": _twist,
    "other_id": _other_id,
}
