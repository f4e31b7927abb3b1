"""A photograph of a floor mark in a bay whose wheels' targets have ids of their own."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from fixtures.tower_pictures import binned_bay, off

from bench.errors import ConfigError
from bench.render.planar import full_frame, render_target
from bench.setting_out.as_built_file import read_measured
from bench.setting_out.photo_pose import FloorMark

MARK = FloorMark(0.6, 2.6, 0.5, -0.4)


@pytest.fixture
def measure(tmp_path):
    """Photograph a target on the mark, and read the file that names the picture."""
    bay = binned_bay(tmp_path)

    def photograph(target, more=""):
        tower = off(bay.towers[0], pitch=-1.0)
        T = tower.T_bay_camera.inverse() @ MARK.T_bay_target()
        rng, camera = np.random.default_rng(2), tower.camera
        grey = render_target(target, T, camera, tower.imaging, rng, full_frame(camera)).grey
        cv2.imwrite(str(tmp_path / "left.png"), grey)
        path = tmp_path / "measured.toml"
        path.write_text(
            f'[[tower]]\nname = "left"\n[tower.photo]\nimage = "left.png"\n{more}'
            'mark = { offset = "0.6 m", distance = "2.6 m", height = "0.5 m", '
            'heading = "-22.918 deg" }\n',
            encoding="utf-8",
        )
        return read_measured(path, bay)

    return bay, photograph


@pytest.mark.slow
def test_whichever_wheel_s_target_stands_there_is_found_by_its_id(measure):
    bay, photograph = measure
    found = photograph(bay.target_of("rear right")).photos["left"].placement
    plan = bay.towers[0].placement
    # 3 standard uncertainties of a marker of 60 px; a wrong target would be no pose at all
    assert found.pitch == pytest.approx(plan.pitch - np.radians(1.0), abs=np.radians(0.3))
    assert found.offset == pytest.approx(plan.offset, abs=0.02)


def test_a_target_of_no_wheel_is_refused_and_may_be_named(measure):
    bay, photograph = measure
    with pytest.raises(ConfigError, match="shows none of the wheels' targets: name the one"):
        photograph(bay.target)
    own = photograph(bay.target, 'target = "marker:36h11:7:200 mm"\n')
    assert own.photos["left"].placement.height == pytest.approx(1.1, abs=0.02)
    assert replace(bay, wheel_targets=()).target_of("front left") is bay.target
