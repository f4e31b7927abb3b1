"""The bay file with the layout found."""

import tomllib
from dataclasses import replace

import pytest

from bench.scene.load import load_bay
from bench.sighting.prediction import Predictor
from bench.siting.files import edits_of, write_sited_bay
from bench.siting.search import site
from bench.siting.tower_layout import layout_of

CUBE = """\
v 0 0 0
v 1 0 0
v 1 1 0
v 0 1 1
f 1 2 3
f 1 3 4
f 1 2 4
f 2 3 4
"""


@pytest.fixture
def bay_file(common_practice_bay, tmp_path):
    (tmp_path / "block.obj").write_text(CUBE)
    path = tmp_path / "bay.toml"
    mesh = (
        '[[obstacle]]\nkind = "mesh"\nname = "block"\nfile = "block.obj"\nscale = 1.0\n'
        'position = ["-30 m", "9 m", "0 m"]\n'
    )
    station = '[[station]]\nname = "floor"\n\n[[station]]\nname = "behind"\nstandoff = "10 ft"\n'
    path.write_text(f"{common_practice_bay}\n{station}\n{mesh}", encoding="utf-8")
    return path


@pytest.fixture
def siting(bay_file):
    bay = load_bay(bay_file)
    space = replace(bay.siting, standoff=(2.7, 3.0))
    return site(replace(bay, siting=space), Predictor("corner", 0.01), 2, 1, None, (0.016,))


def test_stations_meshes_and_lens_follow_into_another_directory(siting, tmp_path):
    out = tmp_path / "elsewhere"
    out.mkdir()
    path, note, digest = write_sited_bay(out, siting)
    assert note == ""
    sited = load_bay(path)
    assert digest == sited.digest
    assert layout_of(sited).focal_length == pytest.approx(0.016)
    further = sited.standoff - siting.asked.standoff
    for before, after in zip(siting.asked.stations, sited.stations, strict=True):
        assert after.standoff == pytest.approx(before.standoff + further, abs=1e-4)
    meshes = [o for o in sited.surroundings.obstacles if o.name == "block"]
    assert meshes[0].path == (tmp_path / "block.obj").resolve()


def test_what_did_not_change_is_left_as_it_was_written(siting, bay_file, tmp_path):
    path, _, _ = write_sited_bay(tmp_path, siting)
    before = bay_file.read_text().splitlines()
    after = path.read_text().splitlines()
    document = tomllib.loads(bay_file.read_text())
    edits = edits_of(document, siting.asked, siting.bay)
    changed = [line for line in after if line not in before]
    assert 0 < len(changed) <= len(edits)


def test_a_file_written_unusually_is_not_edited_but_said(siting, bay_file, tmp_path):
    text = bay_file.read_text().replace("[camera]\nwidth = 2448", "camera.width = 2448\n[camera]")
    bay_file.write_text(text)  # no longer TOML that can be read
    path, note, digest = write_sited_bay(tmp_path, siting)
    assert path is None
    assert digest is None
    assert note.startswith("No sited.toml")
    assert not (tmp_path / "sited.toml").exists()
