"""Published packages whose sources hold pictures with outside truth, fetched into a cache.

The cache is $SIGHTBENCH_TEST_CACHE, or the user's own cache folder. Offline a test is skipped
and says so; where $CI is set it fails instead.
"""

import os
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

import numpy as np
import pytest


def cache_folder():
    if named := os.environ.get("SIGHTBENCH_TEST_CACHE"):
        return Path(named)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")
    return Path(base) / "sightbench-tests"


def unpacked(project, version, wanted, part=""):
    """Return the folder with a source package's members under the `wanted` paths.

    `part` names the selection, where a package has several.
    """
    folder = cache_folder() / f"{project}-{version}{part}"
    if folder.is_dir():
        return folder
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
        archive = download(project, version, Path(scratch))
        contents = Path(scratch) / "contents"
        with tarfile.open(archive) as tar:
            top = f"{archive.name.removesuffix('.tar.gz')}/"
            members = [
                member
                for member in tar.getmembers()
                if member.name.removeprefix(top).startswith(tuple(wanted))
            ]
            tar.extractall(contents, members, filter="data")
        try:
            (contents / top).rename(folder)
        except OSError:
            if not folder.is_dir():  # another process was not faster
                raise
    return folder


def download(project, version, folder):
    """Return a source archive that pip has fetched; skip, or fail in CI, when it can't."""
    command = ["pip", "download", "--no-deps", "--no-binary", project, f"{project}=={version}"]
    done = subprocess.run(
        [sys.executable, "-m", *command, "--dest", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    archives = list(folder.glob("*.tar.gz"))
    if done.returncode == 0 and len(archives) == 1:
        return archives[0]
    last = (done.stderr.strip() or done.stdout.strip() or "no output").splitlines()[-1]
    reason = f"`{' '.join(command)}` failed: {last}"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def april_vision():
    """april-vision 3.1.0 (MIT licence): 36 pictures by the Webots simulator, with truth."""
    return unpacked("april-vision", "3.1.0", ["LICENSE", "tests/"])


@pytest.fixture(scope="session")
def opencv_source():
    """OpenCV 4.11.0 as packaged by opencv-python-headless (Apache-2.0 licence)."""
    wanted = (
        "LICENSE",
        "doc/tutorials/objdetect/",
        "modules/objdetect/test/test_aruco_tutorial.cpp",
        "samples/cpp/tutorial_code/",
        "samples/data/left",
    )
    paths = [f"opencv/{path}" for path in wanted]
    return unpacked("opencv-python-headless", "4.11.0.86", paths) / "opencv"


@pytest.fixture(scope="session")
def stereo_pictures():
    """The left and right chessboard pictures of OpenCV 4.11.0 (Apache-2.0 licence)."""
    paths = [f"opencv/samples/data/{side}" for side in ("left", "right")]
    folder = unpacked("opencv-python-headless", "4.11.0.86", paths, "-stereo")
    return folder / "opencv/samples/data"


@pytest.fixture(scope="session")
def opencv_411():
    """Return a folder for PYTHONPATH with OpenCV 4.11, which has solvers that 5.0 lacks."""
    folder = cache_folder() / "opencv-python-headless-4.11.0.86-installed"
    if folder.is_dir():
        return folder
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
        wanted = "opencv-python-headless==4.11.0.86"
        command = ["pip", "install", "--no-deps", "--only-binary", ":all:", wanted]
        done = subprocess.run(
            [sys.executable, "-m", *command, "--target", f"{scratch}/contents"],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            last = (done.stderr.strip() or "no output").splitlines()[-1]
            reason = f"`{' '.join(command)}` failed: {last}"
            if os.environ.get("CI"):
                pytest.fail(reason)
            pytest.skip(reason)
        try:
            (Path(scratch) / "contents").rename(folder)
        except OSError:
            if not folder.is_dir():  # another process was not faster
                raise
    return folder


@pytest.fixture(scope="session")
def apriltag_photographs():
    """Photographs in apriltag-python 3.4.5 (CC BY-SA 2.0): in the cache, never in this project."""
    data = "src/apriltag/apriltag/test/data/"
    return unpacked("apriltag-python", "3.4.5", [data]) / data


@pytest.fixture(scope="session")
def corner_reach():
    """How far a quadrilateral's corners may move when its edges do."""

    def reach(corners, edge_px):
        """Return the distances (..., 4) for corners (..., 4, 2), each edge off by `edge_px`.

        Two lines that meet at an acute angle a and move by d along their normals meet again at
        a distance of d / sin(a / 2) at most.
        """
        side = np.roll(corners, -1, axis=-2) - corners
        side /= np.linalg.norm(side, axis=-1, keepdims=True)
        cosine = np.abs(np.sum(side * np.roll(side, 1, axis=-2), axis=-1))
        return edge_px / np.sin(0.5 * np.arccos(cosine))

    return reach
