"""Overlays of what was found in photographs, and rehearsed photographs, as files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from bench.cameras.rehearsal import measuring_views, write_rehearsal
from bench.envelope import Facts, Kind
from bench.files import make_directory
from bench.imaging.read import read_picture
from bench.scene.camera_file import write_camera
from bench.scene.load import load_bay

# Where measurements.csv comes from.
MEASURED = Kind("measurement of photographs", "run.json", "measure", Facts)


def overlay_names(paths: list[Path]) -> dict[Path, str]:
    """Return a file name for each picture's overlay, no two alike."""
    stems = [path.stem for path in paths]
    return {
        path: f"{path.stem}-overlay.png"
        if stems.count(path.stem) == 1
        else f"{path.stem}-{index + 1}-overlay.png"
        for index, path in enumerate(paths)
    }


def size_of(path: Path) -> tuple[int, int]:
    """Return the picture's width and height, which some of OpenCV's camera files don't tell."""
    height, width = read_picture(path).grey.shape
    return width, height


def write_rehearsed_photographs(
    out: Path, say: Callable[[str], None]
) -> tuple[list[Path], Path, str]:
    """Render pictures of the shipped bay's target; return them, a camera file, the bay file.

    `say` is told what is going to be rendered.
    """
    bay = load_bay()
    tower = bay.towers[0]
    folder = out / "rehearsal"
    make_directory(folder)
    say(
        f"rehearsal: no pictures given, so {folder} gets rendered ones of {bay.target.name} as "
        f"the {tower.name} tower of {bay.name} sees it"
    )
    camera_file = folder / "camera.toml"
    write_camera(camera_file, tower.camera, comment=f"{bay.name}, {tower.name} tower")
    paths = write_rehearsal(
        folder, measuring_views(), bay.target, tower.camera, tower.imaging, bay.survey.seed
    )
    return paths, camera_file, str(bay.path)
