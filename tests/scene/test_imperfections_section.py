"""A bay file's [imperfections]."""

from dataclasses import fields
from pathlib import Path

import pytest

from bench.assets import asset
from bench.errors import ConfigError
from bench.scene.budget_terms import BudgetTerms
from bench.scene.imperfections import AS_DRAWN, Imperfections
from bench.scene.load import SHIPPED_BAY, load_bay


def bay_with(tmp_path: Path, lines: str, table: str = "imperfections") -> Path:
    path = tmp_path / "bay.toml"
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    path.write_text(f"{text}\n[{table}]\n{lines}\n", encoding="utf-8")
    return path


def test_a_bay_without_the_section_has_the_defaults_and_says_that_they_are_assumed():
    bay = load_bay()
    assert bay.imperfections == Imperfections()
    assert bay.sized == ()


def test_a_budget_alone_leaves_the_imperfections_assumed(tmp_path):
    assert load_bay(bay_with(tmp_path, 'flatness = "0.2 mm"', "budget")).sized == ("budget",)


def test_the_shipped_bay_shows_the_defaults_as_they_are(tmp_path):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    shown = text[text.index("# [imperfections]") :].split("\n\n")[0].splitlines()[1:]
    lines = "\n".join(line.removeprefix("# ") for line in shown)
    found = load_bay(bay_with(tmp_path, lines)).imperfections
    for one in fields(Imperfections):
        assert f"\n{one.name} = " in f"\n{lines}", one.name
        assert getattr(found, one.name) == pytest.approx(one.default, rel=1e-12), one.name


def test_given_sizes_replace_defaults_in_si_units(tmp_path):
    bay = load_bay(bay_with(tmp_path, 'ink_spread = "0.05 mm"\ngradient = "20 %/m"\ndirt = 3.0'))
    assert bay.imperfections.ink_spread == pytest.approx(50e-6)
    assert bay.imperfections.gradient == pytest.approx(0.2)
    assert bay.imperfections.dirt == 3.0
    assert bay.imperfections.paper == Imperfections().paper
    assert bay.sized == ("imperfections",)
    assert bay.digest != load_bay().digest


def test_no_size_has_two_homes():
    assert not {one.name for one in fields(Imperfections)} & {o.name for o in fields(BudgetTerms)}


def test_as_drawn_has_nothing_but_scales():
    left = {one.name for one in fields(AS_DRAWN) if getattr(AS_DRAWN, one.name)}
    assert left == {"paper_scale", "reflection_size", "dirt_size"}


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('ink_spred = "1 mm"', "unknown key imperfections.ink_spred; did you mean ink_spread?"),
        ('ink_spread = "2 mm"', "imperfections.ink_spread: '2 mm' lies outside the limits"),
        ("reflection_share = 1.5", "imperfections.reflection_share"),
        ("paper = -0.1", "imperfections.paper"),
        ('blur_corner = "1 mm"', "imperfections.blur_corner: '1 mm': 'mm' is not a unit"),
    ],
)
def test_a_wrong_size_is_refused_in_one_line(tmp_path, line, words):
    with pytest.raises(ConfigError) as caught:
        load_bay(bay_with(tmp_path, line))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
