"""A bay file's [budget]."""

import math
from pathlib import Path

import pytest

from bench.assets import asset
from bench.errors import ConfigError
from bench.scene.budget_terms import BudgetTerms
from bench.scene.load import SHIPPED_BAY, load_bay


def bay_with(tmp_path: Path, lines: str) -> Path:
    path = tmp_path / "bay.toml"
    path.write_text(asset(SHIPPED_BAY).read_text(encoding="utf-8") + f"\n[budget]\n{lines}\n")
    return path


def test_a_bay_without_a_budget_has_the_defaults_and_the_same_digest_as_before() -> None:
    assert load_bay().budget == BudgetTerms()


def test_the_shipped_bay_shows_the_defaults_as_they_are(tmp_path: Path) -> None:
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    shown = text[text.index("# [budget]") :].split("\n\n")[0]
    lines = "\n".join(line.removeprefix("# ") for line in shown.splitlines())
    path = tmp_path / "bay.toml"
    path.write_text(f"{text}\n{lines}\n", encoding="utf-8")
    found, known = load_bay(path).budget, BudgetTerms()
    for name in vars(known):
        assert getattr(found, name) == pytest.approx(getattr(known, name), rel=1e-12), name


def test_given_terms_replace_defaults_in_si_units(tmp_path: Path) -> None:
    bay = load_bay(
        bay_with(
            tmp_path,
            'mount_play = "0.03 deg"\ncolumn_expansion = "12 ppm/K"\ntemperature = "3 K"\n'
            'roll_angles = "-45, 0, 45 deg"\nprint_scale = 1e-4',
        )
    )
    assert bay.budget.mount_play == pytest.approx(math.radians(0.03))
    assert bay.budget.column_expansion == pytest.approx(12e-6)
    assert bay.budget.temperature == 3.0
    assert bay.budget.roll_angles == pytest.approx((-math.pi / 4, 0.0, math.pi / 4))
    assert bay.budget.print_scale == 1e-4
    assert bay.budget.flatness == BudgetTerms().flatness
    assert bay.digest != load_bay().digest


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('mount_pley = "1 mm"', "unknown key budget.mount_pley; did you mean mount_play?"),
        ('temperature = "5 deg"', "budget.temperature: '5 deg': 'deg' is not a unit"),
        ('roll_angles = "10 deg"', "budget.roll_angles: needs two angles or more"),
        ('flatness = "2 m"', "budget.flatness: '2 m' lies outside the limits"),
        ("print_scale = -0.1", "budget.print_scale"),
    ],
)
def test_a_wrong_term_is_refused_in_one_line(tmp_path: Path, line: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load_bay(bay_with(tmp_path, line))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
