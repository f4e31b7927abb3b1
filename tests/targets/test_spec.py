import pytest

from bench.errors import TargetError
from bench.targets.charuco import CharucoDesign, build_charuco
from bench.targets.chessboard import ChessboardDesign, build_chessboard
from bench.targets.circles import CirclesDesign, build_circles
from bench.targets.grid import GridDesign, build_grid
from bench.targets.marker import MarkerDesign, build_marker
from bench.targets.spec import target_from_spec


@pytest.mark.parametrize(
    ("spec", "target"),
    [
        (
            "marker:tag36h11:14:0.2m",
            build_marker(MarkerDesign("DICT_APRILTAG_36h11", 14, 0.2)),
        ),
        (
            "grid:DICT_4X4_50:3x2:80 mm:20 mm:5",
            build_grid(GridDesign("DICT_4X4_50", 3, 2, 0.08, 0.02, 5)),
        ),
        (
            "grid:DICT_4X4_50:3x2:80 mm:0 mm",
            build_grid(GridDesign("DICT_4X4_50", 3, 2, 0.08, 0.0)),
        ),
        (
            "charuco: 4x4_50 : 7X5 : 4 cm : 30 mm",
            build_charuco(CharucoDesign("DICT_4X4_50", 7, 5, 0.04, 0.03)),
        ),
        ("circles:4x11:20 mm:15 mm", build_circles(CirclesDesign(4, 11, 0.02, 0.015, False))),
        (
            "circles:5x7:20 mm:15 mm:symmetric",
            build_circles(CirclesDesign(5, 7, 0.02, 0.015, True)),
        ),
        ("chessboard:9x6:25 mm", build_chessboard(ChessboardDesign(9, 6, 0.025, quiet_zone=0))),
    ],
)
def test_line_describes_the_same_target_as_its_design(spec, target):
    described = target_from_spec(spec)
    assert described.name == target.name
    assert described.drawing.width == pytest.approx(target.drawing.width)
    assert described.extent == pytest.approx(target.extent)
    assert sorted(described.markers) == sorted(target.markers)


@pytest.mark.parametrize(
    ("spec", "message"),
    [
        ("tag:36h11:0:200 mm", "the kind must be marker or grid or .*, got 'tag'"),
        ("marker:36h11:0", "must have the form marker:DICTIONARY:ID:SIZE"),
        ("grid:36h11:3x2:1 m:0 m:1:upright:1", r"form grid:.*:GAP\[:FIRST_ID\]"),
        ("marker:36h11:zero:200 mm", "ID must be a whole number, got 'zero'"),
        ("marker:36h11:587:200 mm", "ids 0 to 586"),
        ("marker:36h11:0:200", "200"),
        ("marker:36h11:0:-200 mm", "must be finite and positive"),
        ("marker:37h11:0:200 mm", "no marker dictionary is called '37h11'"),
        ("grid:36h11:3:80 mm:20 mm", "ROWS must be a whole number, got ''"),
        ("circles:4x11:20 mm:15 mm:round", "pattern must be asymmetric or symmetric"),
        ("charuco:4x4_50:7x5:30 mm:40 mm", "marker must be smaller than its square"),
    ],
)
def test_malformed_line_is_refused_with_what_is_allowed(spec, message):
    with pytest.raises(TargetError, match=message) as caught:
        target_from_spec(spec)
    assert f"target '{spec}'" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_kinds_can_be_limited():
    with pytest.raises(TargetError, match="must be charuco or chessboard, got 'marker'"):
        target_from_spec("marker:36h11:0:200 mm", kinds=("charuco", "chessboard"))
