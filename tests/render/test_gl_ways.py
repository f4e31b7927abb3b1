"""How a way to OpenGL is found, and that nothing else needs one."""

import subprocess
import sys

import numpy as np
import pytest

from bench.errors import BenchError, RenderError
from bench.render import gl

WITHOUT = """
import sys
import numpy as np
import bench.cli.map, bench.cli.aim, bench.cli.view
from bench.render.planar import render_target
from bench.scene.load import load_bay
from bench.sighting.visibility import visibility
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


@pytest.mark.slow
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


def test_of_a_fault_in_parts_the_first_is_said(fresh, monkeypatch):
    # as PyOpenGL raises it where a library is missing
    def attempt():
        raise ImportError("Unable to load the library", "/a/long/path/lib.so.1: no such file")

    monkeypatch.setattr(gl, "_import", attempt)
    with pytest.raises(RenderError) as error:
        gl._pyrender()
    assert "(egl: Unable to load the library; osmesa: Unable to load the library)" in str(
        error.value
    )


def test_a_way_that_is_asked_for_is_the_only_one_tried(fresh, monkeypatch):
    monkeypatch.setenv(gl.PLATFORM, "osmesa")
    tried = failing(monkeypatch, "osmesa")
    with pytest.raises(RenderError):
        gl._pyrender()
    assert tried == ["osmesa"]


DRAW = """
import sys
import numpy as np
from bench.render.gl import drawer

triangle = np.array([[[-1.0, -0.7, 2.0], [1.0, -0.9, 2.0], [0.1, 1.0, 2.0]]])
with drawer(triangle, np.ones_like(triangle), (320, 240)) as canvas:
    sys.stdout.buffer.write(canvas.draw(200.0, 200.0, 159.5, 119.5, 0.1, 10.0)[..., 0].tobytes())
"""


@pytest.mark.slow
@pytest.mark.usefixtures("opengl")
def test_osmesa_draws_what_egl_draws():
    pictures = {}
    for way in gl.WAYS:
        run = subprocess.run(
            [sys.executable, "-W", "error", "-c", DRAW],
            capture_output=True,
            env=gl.os.environ | {gl.PLATFORM: way},
            check=False,
        )
        if run.returncode and not gl.os.environ.get("CI"):
            pytest.skip(f"{way} doesn't draw here")
        assert run.returncode == 0, run.stderr.decode()
        pictures[way] = np.frombuffer(run.stdout, np.uint8).reshape(240, 320) / 255.0
    # corners at (59.5, 49.5), (259.5, 29.5) and (169.5, 219.5) px: area by the shoelace formula
    area = 0.5 * abs(200.0 * 170.0 - 110.0 * -20.0)
    for picture in pictures.values():
        # each of 600 px of boundary is sampled once a row or more finely
        assert picture.sum() == pytest.approx(area, abs=15.0)
    # OSMesa gives pyrender one sample a pixel, EGL four: they differ along the boundary alone
    differ = pictures["egl"] != pictures["osmesa"]
    assert np.count_nonzero(differ) < 800
    assert np.max(np.abs(pictures["egl"] - pictures["osmesa"])) <= 0.75
