import shutil
from dataclasses import replace

import polars as pl
import pytest

from bench.cli.main import main
from bench.envelope import Origin
from bench.errors import ConfigError, RunError
from bench.report.run import find_bay, read_map
from bench.report.words import headline
from bench.survey.tables import read_limits, write_limits


@pytest.fixture
def moved_map(finished_map, tmp_path):
    """The map without its bay file, in a place that no command names."""
    return shutil.copytree(finished_map, tmp_path / "far" / "map")


def test_a_bay_beside_the_run_is_found(finished_map, nasty_name):
    assert find_bay(read_map(finished_map), None).name == nasty_name


def test_without_the_bay_the_report_says_how_to_name_it_or_do_without(moved_map):
    with pytest.raises(ConfigError, match=r"nasty\.toml.*--bay.*--no-pictures"):
        find_bay(read_map(moved_map), None)


def test_a_bay_that_made_other_pictures_is_refused(moved_map, finished_map, tmp_path):
    text = (finished_map.parent / "nasty.toml").read_text(encoding="utf-8")
    other = tmp_path / "other.toml"
    other.write_text(text.replace('size = "200 mm"', 'size = "150 mm"'), encoding="utf-8")
    with pytest.raises(ConfigError, match="its target"):
        find_bay(read_map(moved_map), other)


def test_a_changed_tolerance_doesnt_change_pictures(moved_map, finished_map, tmp_path):
    text = (finished_map.parent / "nasty.toml").read_text(encoding="utf-8")
    other = tmp_path / "other.toml"
    other.write_text(text.replace('"0.5 deg"', '"0.4 deg"'), encoding="utf-8")
    assert find_bay(read_map(moved_map), other).path == other


@pytest.mark.parametrize("name", ["cells.parquet", "limits.json", "plan.json", "run.json"])
def test_a_broken_file_is_named(moved_map, name):
    (moved_map / name).write_text("broken", encoding="utf-8")
    with pytest.raises((RunError, ConfigError), match=name) as refused:
        read_map(moved_map)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "content",
    [
        "{}",
        "[1]",
        '{"bay": 3, "starts": [{}]}',
        '{"bay": {}, "starts": []}',
        '{"bay": {}, "starts": [7]}',
        '{"bay": {"digest": "ab12"}, "starts": [{}]}',
    ],
)
def test_a_provenance_without_its_parts_is_refused(moved_map, content):
    (moved_map / "run.json").write_text(content, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"run\.json: .*'sightbench map'"):
        read_map(moved_map)


def test_a_headline_says_part_or_whole_of_the_grid_as_the_cells_do(finished_map):
    run = read_map(finished_map)
    assert "in part of the grid" in headline(run)
    everywhere = replace(run, cells=run.cells.with_columns(verdict=pl.lit("holds")))
    assert "in the whole grid" in headline(everywhere)


def test_a_headline_calls_the_last_tested_range_no_limit(finished_map):
    run = read_map(finished_map)
    reach = run.limits.ranges["longest_range_m"].max()
    longest = max(run.plan.ranges_m)
    assert reach < longest
    assert headline(run).endswith(f"to {reach:g} m, at most.")
    ranges = run.limits.ranges.with_columns(longest_range_m=pl.lit(longest))
    to_the_end = replace(run, limits=replace(run.limits, ranges=ranges))
    assert headline(to_the_end).endswith(f"to {longest:g} m, the grid's end.")


def test_limits_of_another_run_are_refused(moved_map):
    limits = read_limits(moved_map)
    some = limits.cells.with_columns(pl.col("pipeline").str.replace("aruco-none", "aruco-some"))
    write_limits(moved_map, replace(limits, cells=some), Origin("sightbench map", "2026"))
    with pytest.raises(RunError, match="different runs"):
        read_map(moved_map)


@pytest.mark.slow
def test_a_directory_or_a_name_says_where_the_page_goes(moved_map, tmp_path, capsys):
    common = ["report", str(moved_map), "--quiet", "--no-pdf", "--no-pictures"]
    (tmp_path / "notes.txt").write_text("mine")
    assert main([*common, "--out", str(tmp_path / "notes.txt")]) == 2
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert main([*common, "--out", str(tmp_path / "pages")]) == 0
    assert (tmp_path / "pages" / "report.html").is_file()
    assert "report.html" in capsys.readouterr().out
