"""The package as it is installed: what the wheel holds, and that its assets are found there."""

import os
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import entry_points, version
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder

import bench
from bench.assets import asset
from bench.scene.load import SHIPPED_BAY

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Build the wheel with the environment's own hatchling, so without a network."""
    folder = tmp_path_factory.mktemp("wheel")
    (path,) = WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    return Path(path)


def test_the_wheel_holds_every_module_and_every_asset(wheel):
    with zipfile.ZipFile(wheel) as archive:
        held = {name for name in archive.namelist() if name.startswith("bench/")}
    modules = {p.relative_to(ROOT).as_posix() for p in (ROOT / "bench").rglob("*.py")}
    assets = {
        f"bench/{p.relative_to(ROOT).as_posix()}"
        for p in (ROOT / "assets").rglob("*")
        if p.is_file()
    }
    assert f"bench/assets/{SHIPPED_BAY}" in assets
    assert modules | assets <= held
    assert not [name for name in held if "__pycache__" in name]


def test_an_unpacked_wheel_finds_its_own_bay(wheel, tmp_path):
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path)
    code = "from bench.scene.load import load_bay; print(load_bay().path)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )
    assert Path(done.stdout.strip()) == (tmp_path / "bench" / "assets" / SHIPPED_BAY).resolve()


def test_the_shipped_bay_is_the_one_in_the_source_tree():
    assert asset(SHIPPED_BAY).read_bytes() == (ROOT / "assets" / SHIPPED_BAY).read_bytes()


def test_the_installed_command_is_the_entry_point():
    (script,) = entry_points(group="console_scripts", name="sightbench")
    assert script.value == "bench.cli.main:run"
    assert callable(script.load())


def test_the_version_is_that_of_the_project_file():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert bench.__version__ == version("sightbench") == project["version"]
