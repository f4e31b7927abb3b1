"""Plug-ins from distributions of somebody else, laid out as an installer leaves them."""

import sys
import textwrap

import numpy as np
import pytest

from bench.detect.detection import Detector, Found
from bench.detect.observation import Observation
from bench.errors import PlugInError
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging, noise_free
from bench.imaging.region import region_of
from bench.plugins import DETECTORS, SOLVERS, available, load
from bench.solve.estimate import Solver
from bench.solve.pipeline import WITH_POSE, pipeline_from_name
from bench.targets.design import MarkerDesign, build_target

BUNDLED_DETECTORS = [
    "apriltag",
    "aruco-apriltag",
    "aruco-contour",
    "aruco-none",
    "aruco-subpix",
    "charuco",
    "circles",
]

# The example in bench/detect/README.md.
WIDE = '''
import cv2
import numpy as np

from bench.detect.detection import Detection
from bench.detect.markers import marker_detection
from bench.detect.observation import Observation


class WideWindow:
    """ArUco whose sub-pixel window is half a cell, for small markers at moderate tilt."""

    name = "aruco-wide"

    def supports(self, kind: str) -> bool:
        return kind in ("marker", "grid")

    def detect(self, observation: Observation) -> Detection:
        parameters = cv2.aruco.DetectorParameters()
        parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
        parameters.relativeCornerRefinmentWinSize = 0.5
        book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, observation.target.dictionary))
        detector = cv2.aruco.ArucoDetector(book, parameters)
        corners, ids, _ = detector.detectMarkers(observation.picture.grey8)
        decoded = [] if ids is None else zip(ids.ravel().tolist(), corners)
        return marker_detection(
            [(i, np.float64(c).reshape(4, 2)) for i, c in decoded], observation, sigma_px=0.06
        )
'''


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Return a function that puts a distribution with entry points and a module on the path."""
    modules = []

    def put(distribution, module, code, entries, group=DETECTORS):
        place = tmp_path / distribution
        info = place / f"{distribution.replace('-', '_')}-1.0.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 1.0\n"
        )
        lines = "\n".join(f"{name} = {value}" for name, value in entries.items())
        (info / "entry_points.txt").write_text(f"[{group}]\n{lines}\n")
        (place / f"{module}.py").write_text(textwrap.dedent(code))
        monkeypatch.syspath_prepend(str(place))
        modules.append(module)

    yield put
    for module in modules:
        sys.modules.pop(module, None)


def test_the_bundled_detectors_are_found_and_loaded_by_name():
    assert set(BUNDLED_DETECTORS) <= set(available(DETECTORS))
    for name in BUNDLED_DETECTORS:
        detector = load(DETECTORS, name)
        assert isinstance(detector, Detector)
        assert detector.name == name


def test_the_bundled_solvers_are_found_and_loaded_by_name():
    for name in ("ippe", "ippe-lm", "sqpnp", "epnp", "iterative"):
        solver = load(SOLVERS, name)
        assert isinstance(solver, Solver)
        assert solver.name == name


def test_names_are_sorted_and_nothing_is_imported(install):
    install("acme-eyes", "acme_eyes", "raise RuntimeError('imported')", {"aa": "acme_eyes:A"})
    names = list(available(DETECTORS))
    assert names == sorted(names)
    assert "aa" in names
    assert "acme_eyes" not in sys.modules


def test_somebody_else_s_detector_runs_in_a_pipeline(install):
    install("wide-window", "wide_window", WIDE, {"aruco-wide": "wide_window:WideWindow"})
    assert isinstance(load(DETECTORS, "aruco-wide"), Detector)
    camera = Camera(640, 480, 1000.0, 1000.0, 319.5, 239.5)
    target = build_target(MarkerDesign())
    errors = {}
    for name in ("aruco-wide/ippe-lm", "aruco-subpix/ippe-lm"):
        pipeline = pipeline_from_name(name)
        squares = []
        for k in range(8):  # 31 px, at sub-pixel places along a diagonal
            pose = pose_of_view(
                View(6.5, turn=0.4, roll=0.2, pixel=(320.0 + k / 8, 240.0 + k / 8)), camera
            )
            region = region_of(target.drawing, pose, camera, 16.0)
            picture = noise_free(target.drawing, pose, camera, Imaging(), region)
            detection, estimate = pipeline.run(Observation(picture, camera, target))
            assert detection.found is Found.FOUND
            assert estimate.outcome in WITH_POSE
            squares.append(
                np.mean((detection.pixels - project(detection.p_target, pose, camera)) ** 2)
            )
        errors[name] = np.sqrt(np.mean(squares))
    # what the plug-in claims to be for; a third less isn't a matter of rounding
    assert errors["aruco-wide/ippe-lm"] < errors["aruco-subpix/ippe-lm"] / 1.5


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("aruco-subpx", "did you mean aruco-subpix"),
        ("ARUCO", "known: apriltag, "),
    ],
)
def test_an_unknown_name_suggests_close_ones_or_lists_all(name, hint):
    with pytest.raises(PlugInError, match=f"no detector is called '{name}'; {hint}"):
        load(DETECTORS, name)


def test_an_empty_group_says_so():
    with pytest.raises(PlugInError, match="no plug-in is called 'x'; none installed"):
        load("sightbench.nothing", "x")


BROKEN = {
    "gone": ("", "bad_eyes:Missing", r"can't be loaded: AttributeError"),
    "raises": (
        "raise OSError('no\\nlicence')",
        "bad_eyes:A",
        "can't be loaded: OSError: no licence",
    ),
    "needs": ("class A:\n    def __init__(self, x): ...", "bad_eyes:A", "loaded: TypeError"),
    "lame": (
        "class A:\n    name = 'lame'\n    supports = 3",
        "bad_eyes:A",
        "lacks supports and detect",
    ),
    "other": (
        "class A:\n    name = 'misnamed'\n    supports = detect = print",
        "bad_eyes:A",
        "must have this name, not 'misnamed'",
    ),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_plug_in_is_named_with_its_distribution(name, install):
    code, value, message = BROKEN[name]
    install("bad-eyes", "bad_eyes", code, {name: value})
    with pytest.raises(PlugInError, match=message) as caught:
        load(DETECTORS, name)
    text = str(caught.value)
    assert text.startswith(f"detector {name} of bad-eyes ({value})")
    assert "\n" not in text


def test_one_name_for_two_plug_ins_is_refused(install):
    install("first-eyes", "first_eyes", "", {"twice": "first_eyes:A"})
    install("second-eyes", "second_eyes", "", {"twice": "second_eyes:A"})
    with pytest.raises(PlugInError, match=r"twice is offered twice.*second-eyes.*first-eyes"):
        available(DETECTORS)


def test_one_distribution_found_twice_is_one_plug_in(install):
    install("same-eyes", "same_eyes", "", {"once": "same_eyes:A"})
    install("same-eyes-copy", "same_eyes_copy", "", {"once": "same_eyes:A"})
    assert available(DETECTORS)["once"].value == "same_eyes:A"
