"""What a bay is off by in predictions: many layouts at once against one view at a time."""

from dataclasses import replace

import numpy as np
import pytest

from bench.built.response import responses, size_of_causes
from bench.built.sizes import sizes_of
from bench.scene.load import load_bay
from bench.scene.model import wheels_of_tower
from bench.sighting.prediction import in_bay, predictor_of
from bench.sighting.sighting import sightings_of


@pytest.mark.parametrize("tower", [0, 1])
def test_predictions_add_what_each_view_s_responses_say_beyond_the_common_turn(tower):
    bay = load_bay()
    own_tower = bay.towers[tower]
    predictor = predictor_of(bay, "corner")
    wheels = wheels_of_tower(bay, own_tower)
    built = sightings_of(bay, own_tower, wheels, predictor, False)
    drawn = sightings_of(bay, own_tower, wheels, replace(predictor, as_built=False), False)
    sizes = sizes_of(bay, own_tower)
    for one, noise in zip(built, drawn, strict=True):
        T = one.T_camera_target
        answer = responses(bay.target, T, own_tower.camera, sizes.modes)
        answer[:3, : sizes.modes.shape[1]] -= T.rotation.T @ sizes.common
        answer *= size_of_causes(sizes)
        expected = in_bay(answer @ answer.T, own_tower.T_bay_camera, T)
        for name, own in zip(("toe", "camber", "along", "across"), expected, strict=True):
            whole, part = getattr(one.prediction, name), getattr(noise.prediction, name)
            # normal equations leave six digits where least squares leave more
            assert np.sqrt(whole**2 - part**2) == pytest.approx(own, rel=1e-5), name


def test_noise_alone_is_what_it_was():
    bay = load_bay()
    drawn = predictor_of(bay, "corner", as_built=False)
    assert "registration" not in drawn.basis
    assert "registration absorbs" in predictor_of(bay, "corner").basis
