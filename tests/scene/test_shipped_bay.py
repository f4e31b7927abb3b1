"""The bay that ships: every camera sees every wheel, the survey covers them, the schema fits."""

import re
import tomllib
from pathlib import Path

import pytest

from bench.assets import asset
from bench.errors import ConfigError
from bench.scene.bay_section import BaySection
from bench.scene.budget_terms import BudgetTerms
from bench.scene.facts import sights
from bench.scene.load import SHIPPED_BAY, load_bay, schema
from bench.strict import validate


@pytest.fixture(scope="module")
def bay():
    return load_bay()


def test_every_camera_has_every_wheel_of_its_side_wholly_in_the_picture(bay):
    seen = sights(bay)
    assert len(seen) == len(bay.stations) * sum(2 * len(v.axles) for v in bay.vehicles)
    assert all(s.whole for s in seen)


def test_the_towers_mirror_each_other(bay):
    left, right = bay.towers
    assert left.placement.offset == -right.placement.offset > 0
    assert left.placement.yaw == -right.placement.yaw > 0


def test_the_survey_covers_the_ranges_that_the_wheels_have(bay):
    ranges = [s.range_m for s in sights(bay)]
    assert min(bay.survey.ranges_m) <= min(ranges)
    assert max(bay.survey.ranges_m) >= max(ranges)


def test_an_asset_that_does_not_exist_is_a_refusal():
    with pytest.raises(ConfigError, match="install the package again"):
        asset("no-such-bay.toml")


def properties():
    """Yield name and schema of every key of every table, references to tables resolved."""
    whole = schema()
    for table, section in [("bay", whole), *whole["$defs"].items()]:
        for key, content in section.get("properties", {}).items():
            target = whole["$defs"].get(content.get("$ref", "").rpartition("/")[2], {})
            yield f"{table}.{key}", {**target, **content}


def test_the_schema_describes_every_key():
    for name, content in properties():
        if "const" not in content:  # the kind of target: its table is described
            assert content.get("description"), name


def test_the_schema_shows_how_every_value_is_written():
    def shows(content):
        words = ("examples", "default", "const", "properties", "discriminator", "$ref")
        inner = [*content.get("anyOf", []), *filter(None, [content.get("items")])]
        return any(word in content for word in words) or any(map(shows, inner))

    for name, content in properties():
        assert shows(content), name


def test_every_key_of_the_shipped_file_is_in_the_schema():
    whole = schema()

    def walk(content, section):
        section = (
            whole["$defs"][section["$ref"].rsplit("/", 1)[1]] if "$ref" in section else section
        )
        for key, value in content.items():
            assert key in section["properties"], key
            inner = section["properties"][key]
            if isinstance(value, dict):
                walk(value, _table(inner, value))
            elif isinstance(value, list) and isinstance(value[0], dict):
                items = inner["anyOf"][0]["items"] if "anyOf" in inner else inner["items"]
                for entry in value:
                    walk(entry, _table(items, entry))

    def _table(inner, value):
        if "discriminator" in inner:
            return {"$ref": inner["discriminator"]["mapping"][value["kind"]]}
        return inner["anyOf"][0] if "anyOf" in inner else inner

    content = tomllib.loads(asset(SHIPPED_BAY).read_text(encoding="utf-8"))
    walk(content, whole)
    assert set(content) <= set(BaySection.model_fields)


def commented_tables():
    """Return the tables of the shipped file that are commented out, by name, as TOML."""
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    blocks = re.findall(r"(?:^# \[.*\n)(?:^# \w+ = .*\n)+", text, flags=re.MULTILINE)
    lines = ("".join(line[2:] + "\n" for line in block.splitlines()) for block in blocks)
    return {re.match(r"\[+([\w.]+)", block)[1] + f" {i}": block for i, block in enumerate(lines)}


@pytest.mark.parametrize("name", commented_tables())
def test_every_table_that_is_commented_out_is_right(name):
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    content = tomllib.loads(text + "\n" + commented_tables()[name])
    validate(BaySection, content, Path("shipped"))


def test_the_commented_budget_and_bar_are_what_counts_without_them(bay, tmp_path):
    tables = commented_tables()
    assert {re.sub(r" [0-9]+$", "", name) for name in tables} >= {"bar", "budget", "cable"}
    text = asset(SHIPPED_BAY).read_text(encoding="utf-8")
    text += "".join(t for name, t in tables.items() if name.startswith(("bar", "budget")))
    (tmp_path / "written.toml").write_text(text, encoding="utf-8")
    written = load_bay(tmp_path / "written.toml")
    assert written.digest != bay.digest
    for name in BudgetTerms.__dataclass_fields__:
        assert getattr(written.budget, name) == pytest.approx(getattr(bay.budget, name)), name
    for name in ("length", "length_uncertainty", "turn_presets", "heights", "level_sensitivity"):
        assert getattr(written.bar, name) == pytest.approx(getattr(bay.bar, name)), name
