import shutil

import pytest

from bench.cli.main import main
from bench.errors import ConfigError, RunError
from bench.report.run import find_bay, read_map


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


@pytest.mark.parametrize("name", ["cells.parquet", "limits.json", "plan.json"])
def test_a_broken_file_is_named(moved_map, name):
    (moved_map / name).write_text("broken", encoding="utf-8")
    with pytest.raises(RunError, match=name) as refused:
        read_map(moved_map)
    assert "\n" not in str(refused.value)


def test_limits_of_another_run_are_refused(moved_map):
    path = moved_map / "limits.json"
    path.write_text(path.read_text(encoding="utf-8").replace("aruco-none", "aruco-some"))
    with pytest.raises(RunError, match="different runs"):
        read_map(moved_map)


def test_a_directory_or_a_name_says_where_the_page_goes(moved_map, tmp_path, capsys):
    common = ["report", str(moved_map), "--quiet", "--no-pdf", "--no-pictures"]
    (tmp_path / "notes.txt").write_text("mine")
    assert main([*common, "--out", str(tmp_path / "notes.txt")]) == 2
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert main([*common, "--out", str(tmp_path / "pages")]) == 0
    assert (tmp_path / "pages" / "report.html").is_file()
    assert "report.html" in capsys.readouterr().out
