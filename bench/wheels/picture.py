"""A vehicle's wheel angles as a picture from above."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from bench.draw import style
from bench.geometry.rotation import rotation_z
from bench.geometry.vehicle_angles import WheelState
from bench.geometry.wheel_angles import angles_of_axis, sign_of
from bench.typing import Array
from bench.wheels.vehicle import Answer, MeasuredVehicle, by_name

# Toe is drawn so much larger than it is, or nobody would see it.
ENLARGED = 20.0
WHEEL = (0.62, 0.2)  # drawn length and width, metres
WIDTH, HEIGHT = 10.0, 7.2
_SAID = {"centre line": "centre line", "rear track": "line square to the rear track"}


def draw_wheels(
    vehicle: MeasuredVehicle,
    title: str,
    caption: str,
    truth: Mapping[tuple[str, str], float] | None = None,
) -> Figure:
    """Return the vehicle from above, front upward, with every angle beside its wheel.

    Parameters
    ----------
    vehicle : MeasuredVehicle
        Wheels in the vehicle's frame.
    title, caption : str
        Above and below.
    truth : mapping, optional
        Of a rehearsal: names which answers lie farther than two standard uncertainties off.
    """
    answers = by_name(vehicle.answers)
    with style.applied():
        figure = style.new_figure(WIDTH, HEIGHT)
        figure.text(0.03, 0.955, title, fontsize=style.LARGE, fontweight="bold", va="center")
        axes = figure.add_axes((0.03, 0.1, 0.94, 0.81))
        axes.set_aspect("equal")
        axes.set_axis_off()
        places = np.stack([w.centre for w in vehicle.wheels])
        half = 0.5 * float(np.ptp(places[:, 1]))
        front, rear = float(places[:, 0].max()), float(places[:, 0].min())
        axes.plot([0, 0], [rear - 0.75, front + 0.85], color=style.MUTED, lw=0.9, ls="-.")
        line = _line_of(answers)
        axes.text(0.05, rear - 0.72, _SAID[line], fontsize=style.SMALL, color=style.MUTED)
        for wheel in vehicle.wheels:
            _wheel(axes, wheel, answers, half)
        _thrust(axes, answers, rear, front, _SAID[line])
        _middle(axes, answers, vehicle.wheels)
        axes.set_xlim(-half - 2.6, half + 2.6)
        axes.set_ylim(rear - 0.85, front + 0.95)
        note = (
            f"Wheels and thrust line are drawn turned {ENLARGED:g} times as far. Each value ± its "
            "standard uncertainty. Toe-in and top outward are positive; toe is from the "
            f"{_SAID[line]} unless said, camber from the vertical found."
        )
        if truth is not None:
            off = [
                a.quantity.name
                for key, a in answers.items()
                if key in truth and abs(a.value - truth[key]) > 2.0 * a.sigma
            ]
            known = sum(key in truth for key in answers)
            note += f" Rehearsal: {known - len(off)} of {known} values are within 2 standard "
            note += "uncertainties of the truth."
        figure.text(0.03, 0.065, fill(note, 150), fontsize=style.SMALL, va="center")
        said = fill(caption, 150)
        figure.text(0.03, 0.015, said, fontsize=style.SMALL, color=style.MUTED, va="center")
    return figure


def _line_of(answers: Mapping[tuple[str, str], Answer]) -> str:
    """Return the line that toe and thrust refer to."""
    return next(a.quantity.reference for a in answers.values() if a.quantity.kind == "thrust")


def _screen(points: Array) -> Array:
    """Return where vehicle points (N, 2) are on paper: the front up, the left on the left."""
    return np.column_stack((-points[:, 1], points[:, 0]))


def _wheel(
    axes: Axes, wheel: WheelState, answers: Mapping[tuple[str, str], Answer], half: float
) -> None:
    s = sign_of(wheel.side)
    toe, _ = angles_of_axis(wheel.axis, wheel.side)
    length, width = WHEEL
    corners = 0.5 * np.array([[1, 1], [1, -1], [-1, -1], [-1, 1]]) * [length, width]
    turned = corners @ rotation_z(-s * ENLARGED * toe)[:2, :2].T + wheel.centre[:2]
    axes.add_patch(
        Polygon(
            _screen(turned), facecolor=style.FAINT, edgecolor=style.INK, linewidth=1.2, zorder=5
        )
    )
    name = wheel.name
    lines = [name.capitalize()]
    for kind in ("toe", "camber", "caster", "inclination"):
        for reference, label in (
            ("", kind),
            ("thrust line", f"{kind} to thrust line"),
        ):
            for key, answer in answers.items():
                thrust = key[1] == "thrust line"
                if key[0] == f"{name} {kind}" and thrust == (reference != ""):
                    lines.append(f"{label} {_degrees(answer)}")
    x = -s * (half + 0.42)
    align = "right" if wheel.side == "left" else "left"
    axes.text(x, wheel.centre[0] + 0.2, lines[0], ha=align, va="bottom", fontweight="bold")
    axes.text(x, wheel.centre[0] + 0.15, "\n".join(lines[1:]), ha=align, va="top", linespacing=1.5)


def _thrust(
    axes: Axes,
    answers: Mapping[tuple[str, str], Answer],
    rear: float,
    front: float,
    line: str,
) -> None:
    thrust = next((a for a in answers.values() if a.quantity.kind == "thrust"), None)
    if thrust is None:
        return
    reach = 0.72 * (front - rear) + 0.3
    aim = rotation_z(ENLARGED * thrust.value)[:2, :2] @ np.array([reach, 0.0])
    tip = _screen(np.array([[rear + aim[0], aim[1]]]))[0]
    axes.annotate(
        "",
        xy=(tip[0], tip[1]),
        xytext=(0.0, rear),
        arrowprops={"arrowstyle": "-|>", "color": style.OKABE_ITO[0], "lw": 1.8},
    )
    side = "left" if thrust.value >= 0.0 else "right"
    words = f"thrust line {_degrees(thrust)},\nto the {side} of the {line}"
    axes.text(
        0.09 if thrust.value >= 0.0 else -0.09,
        rear + 0.45 * (front - rear),
        words,
        ha="left" if thrust.value >= 0.0 else "right",
        va="center",
        color=style.OKABE_ITO[0],
        fontsize=style.SMALL,
    )


def _middle(
    axes: Axes, answers: Mapping[tuple[str, str], Answer], wheels: tuple[WheelState, ...]
) -> None:
    for axle in dict.fromkeys(w.axle for w in wheels):
        pair = np.stack([w.centre for w in wheels if w.axle == axle])
        paper = _screen(pair[:, :2])
        axes.plot(paper[:, 0], paper[:, 1], color=style.MUTED, lw=0.8, zorder=0)
        words = [
            f"{kind} {_degrees(a) if a.quantity.unit == 'rad' else _millimetres(a)}"
            for kind in ("total toe", "track", "setback")
            for a in answers.values()
            if (a.quantity.kind, a.quantity.axle) == (kind, axle)
        ]
        axes.text(
            0.0,
            float(pair[:, 0].mean()) + (0.1 if pair[:, 0].mean() > 1e-3 else -0.1),
            "\n".join(words),
            ha="center",
            va="bottom" if pair[:, 0].mean() > 1e-3 else "top",
            fontsize=style.SMALL,
            linespacing=1.4,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.9},
        )


def _degrees(answer: Answer) -> str:
    value = f"{np.degrees(answer.value):+.3f}".replace("-", "\N{MINUS SIGN}")
    return f"{value} ± {np.degrees(answer.sigma):.3f}°"


def _millimetres(answer: Answer) -> str:
    value = f"{1e3 * answer.value:.1f}".replace("-", "\N{MINUS SIGN}")
    return f"{value} ± {1e3 * answer.sigma:.1f} mm"
