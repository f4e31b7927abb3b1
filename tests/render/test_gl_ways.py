"""How a way to OpenGL is found, and that nothing else needs one."""

import subprocess
import sys

import pytest

from bench.errors import BenchError, RenderError
from bench.render import gl

WITHOUT = """
import sys
import numpy as np
import bench.cli.map, bench.cli.aim, bench.cli.view
from bench.render.planar import render_target
from bench.scene.load import load_bay
from bench.guide.visibility import visibility
from bench.scene.model import wheels_of_tower
from bench.cli.main import main

bay = load_bay(None)
tower = bay.towers[0]
wheel = wheels_of_tower(bay, tower)[0]
pose = tower.T_bay_camera.inverse() @ wheel.T_bay_target
render_target(bay.target, pose, tower.camera, tower.imaging, np.random.default_rng(1))
visibility(bay, tower, wheel)
code = main(["map", "--dry-run"])
assert code == 0, code
print(sorted(n for n in sys.modules if n.partition(".")[0] in ("pyrender", "OpenGL", "pyglet")))
"""


def test_mapping_and_visibility_load_no_graphics():
    run = subprocess.run(
        [sys.executable, "-c", WITHOUT], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.splitlines()[-1] == "[]"


@pytest.fixture
def fresh(monkeypatch):
    """Nothing imported yet, no way chosen."""
    monkeypatch.delitem(sys.modules, "pyrender", raising=False)
    monkeypatch.delenv(gl.PLATFORM, raising=False)
    monkeypatch.setattr(gl, "_forget", lambda: None)


def failing(monkeypatch, *ways):
    tried = []

    def attempt():
        way = gl.os.environ[gl.PLATFORM]
        tried.append(way)
        if way in ways:
            raise ImportError(f"no {way} library")
        return way

    monkeypatch.setattr(gl, "_import", attempt)
    return tried


def test_egl_is_tried_first(fresh, monkeypatch):
    tried = failing(monkeypatch)
    assert gl._pyrender() == "egl"
    assert tried == ["egl"]


def test_osmesa_stands_in_for_egl(fresh, monkeypatch):
    tried = failing(monkeypatch, "egl")
    assert gl._pyrender() == "osmesa"
    assert tried == ["egl", "osmesa"]


def test_with_neither_one_line_says_what_to_install(fresh, monkeypatch):
    failing(monkeypatch, "egl", "osmesa")
    with pytest.raises(RenderError) as error:
        gl._pyrender()
    message = str(error.value)
    assert isinstance(error.value, BenchError)
    assert "\n" not in message
    for word in ("no egl library", "no osmesa library", "libegl1", "libosmesa6"):
        assert word in message


def test_a_way_that_is_asked_for_is_the_only_one_tried(fresh, monkeypatch):
    monkeypatch.setenv(gl.PLATFORM, "osmesa")
    tried = failing(monkeypatch, "osmesa")
    with pytest.raises(RenderError):
        gl._pyrender()
    assert tried == ["osmesa"]
