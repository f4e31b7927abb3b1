"""The budget's bars: complete, in order, nothing on top of anything else."""

import math

import pytest

from bench.budget.budget import Budget, Line
from bench.budget.chain import measurands
from bench.budget.figure import draw_budget
from bench.budget.inputs import CONTRIBUTIONS


def budget_of(vehicles: int, axles: tuple[str, ...]) -> Budget:
    lines = []
    for number in range(vehicles):
        for q, measurand in enumerate(measurands(axles)):
            parts = tuple(0.002 * (1 + (i + q) % 5) for i in range(len(CONTRIBUTIONS)))
            sigma = math.sqrt(sum(p * p for p in parts))
            tolerance = math.nan if measurand.kind == "total toe" else 0.05
            lines.append(
                Line(
                    f"vehicle {number}",
                    "a station with a long name",
                    0.0,
                    measurand,
                    sigma,
                    2.0,
                    2.0 * sigma,
                    parts,
                    sigma,
                    -2.1 * sigma,
                    1.9 * sigma,
                    True,
                    tolerance,
                )
            )
    return Budget(tuple(lines), 20_000, True, 0.9545, ("target poses: a bound",))


@pytest.mark.slow
@pytest.mark.parametrize("vehicles", [1, 5])
@pytest.mark.parametrize("axles", [("front",), ("front", "middle", "rear")])
def test_bars_add_up_to_the_expanded_uncertainty_and_texts_keep_apart(
    vehicles: int, axles: tuple[str, ...]
) -> None:
    budget = budget_of(vehicles, axles)
    figure = draw_budget(budget, "A bay: uncertainty of toe, camber and thrust", "A caption.")
    assert len(figure.axes) == vehicles
    figure.canvas.draw()  # places tick labels and what stands below them
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    for axes in figure.axes:
        ends: dict[float, float] = {}
        for bar in axes.patches:
            row = round(bar.get_y() + 0.5 * bar.get_height())
            ends[row] = max(ends.get(row, 0.0), bar.get_x() + bar.get_width())
        names = [label.get_text() for label in axes.get_yticklabels()]
        for row, name in enumerate(names):
            same = [line for line in budget.judged if line.measurand.name == name]
            assert ends[row] == pytest.approx(same[0].expanded, rel=1e-9)
    last = figure.axes[-1].xaxis.label.get_window_extent(renderer)
    key = figure.legends[0].get_window_extent(renderer)
    assert last.y0 >= key.y1
    for axes in figure.axes:
        boxes = [t.get_window_extent(renderer) for t in (*axes.texts, *axes.get_yticklabels())]
        for i, one in enumerate(boxes):
            assert one.x0 >= 0.0
            assert one.x1 <= figure.bbox.width
            assert not any(one.overlaps(other) for other in boxes[:i])


def test_halving_the_largest_contribution_is_what_quadrature_says() -> None:
    line = budget_of(1, ("front", "rear")).worst
    part = max(line.contributions)
    expected = 2.0 * math.sqrt(line.sigma**2 - part**2 + (0.5 * part) ** 2)
    assert line.with_halved(line.largest) == pytest.approx(expected)


def test_the_larger_of_both_methods_is_judged() -> None:
    line = budget_of(1, ("front", "rear")).worst
    assert line.judged == pytest.approx(2.1 * line.sigma)
    assert line.answer == ("inside" if 2.1 * line.sigma <= 0.05 else "outside")
