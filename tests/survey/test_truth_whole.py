"""Whether a pattern is whole: the picture's region tells what projecting its points does."""

import numpy as np
import pytest

from bench.errors import GeometryError
from bench.geometry.camera import Camera
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.model import Imaging
from bench.imaging.region import region_of
from bench.render.planar import MARGIN_PX
from bench.survey.plan import Case
from bench.survey.setting import Setting
from bench.survey.truth import truth_columns
from bench.targets.design import CharucoDesign, CirclesDesign, MarkerDesign, build_target

DESIGNS = (
    MarkerDesign(),
    CharucoDesign(columns=5, rows=4, square=0.05, marker=0.037),
    CirclesDesign(columns=5, rows=4, pitch=0.05, diameter=0.03),
)


@pytest.mark.parametrize("design", DESIGNS, ids=lambda d: type(d).__name__)
@pytest.mark.parametrize("bend", [-0.2, 0.0, 0.1])
def test_a_region_clear_of_the_border_tells_that_the_pattern_is_whole(design, bend):
    camera = Camera(640, 480, 900.0, 900.0, 320.0, 240.0, (bend, 0.0, 0.0, 0.0, 0.0))
    target = build_target(design)
    setting = Setting(camera, Imaging(), target)
    case = Case(0, 2.0, 0.0, 0.0, None, 0)
    rng = np.random.default_rng(3)
    clear = cut = 0
    for _ in range(200):
        place = tuple(rng.uniform((0.0, 0.0), (640.0, 480.0)))
        turn, roll = rng.uniform(-1.2, 1.2), rng.uniform(-0.3, 0.3)
        try:
            view = View(rng.uniform(0.8, 3.0), turn, 0.0, roll, place)
            pose = pose_of_view(view, camera)
            region = region_of(target.drawing, pose, camera, MARGIN_PX)
        except GeometryError:
            continue
        short = truth_columns(case, view, pose, setting, region)["whole"]
        assert short == truth_columns(case, view, pose, setting)["whole"]
        clear += bool(short)
        cut += not short
    assert clear > 20
    assert cut > 20
