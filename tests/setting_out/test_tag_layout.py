"""Tables of tags that a bay file implies, measured in rendered pictures of them."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bench.cameras.layout_files import measure_layout, read_layout
from bench.cli.main import main
from bench.errors import ConfigError
from bench.geometry.pose import Pose
from bench.geometry.rotation import log_rotation, rotation_x
from bench.imaging.chords import project_chords
from bench.imaging.gaussian import blurred_image
from bench.imaging.region import region_of
from bench.scene.load import load_bay
from bench.setting_out.sheet_bay import square_corners
from bench.setting_out.tag_layout import layout_of_bay, write_layout
from bench.targets.design import CirclesDesign, MarkerDesign, build_target

BAY = load_bay(None)


def frame_of(tags, T_layout_camera, camera, blur=0.6):
    """Return a full frame of tags on white plates, grey elsewhere, as an exact picture."""
    grey = np.full((camera.height, camera.width), 90.0)
    for tag in tags:
        design = MarkerDesign(tag.dictionary, tag.marker_id, tag.size, white=0.9, background=0.35)
        drawing = build_target(design).drawing
        pose = T_layout_camera.inverse() @ tag.T_layout_tag
        region = region_of(drawing, pose, camera, 8.0)
        part = blurred_image(project_chords(drawing, pose, camera), 0.35, blur, region)
        rows = slice(region.v0, region.v0 + region.height)
        columns = slice(region.u0, region.u0 + region.width)
        grey[rows, columns] = np.rint(255.0 * part.reshape(region.height, region.width))
    return np.clip(grey, 0, 255).astype(np.uint8)


def test_the_bar_s_tags_give_the_camera_from_which_it_was_seen(tmp_path):
    tags = layout_of_bay(BAY, "bar")
    assert [tag.marker_id for tag in tags] == [20, 21]
    ends = np.array([tag.T_layout_tag.translation for tag in tags])
    assert_allclose(ends, [[0.5 * BAY.bar.length, 0, 0], [-0.5 * BAY.bar.length, 0, 0]])
    camera = BAY.towers[0].camera
    # 4 m before the bar's middle, a little aside, looking at it
    T_bar_camera = Pose(rotation_x(np.pi), np.array([0.1, 0.05, 4.0]))
    write_layout(tmp_path / "bar.csv", tags)
    cv2.imwrite(str(tmp_path / "bar.png"), frame_of(tags, T_bar_camera, camera))
    found = measure_layout(tmp_path / "bar.png", camera, read_layout(tmp_path / "bar.csv"))
    error = found.result.T_layout_camera.translation - T_bar_camera.translation
    sigma = np.sqrt(np.diag(found.result.covariance))[3:]
    assert np.all(np.abs(error) < 4.0 * sigma)
    assert found.missed == ()


def test_tags_on_the_floor_lie_on_the_square_s_corners_and_show_the_tower_s_pose(tmp_path):
    tags = layout_of_bay(BAY, "floor")
    taken = {*BAY.target.markers, *BAY.bar.target_a.markers, *BAY.bar.target_b.markers}
    assert not taken & {tag.marker_id for tag in tags}
    places = [tuple(tag.T_layout_tag.translation[:2]) for tag in tags]
    assert places == list(square_corners(BAY).values())
    tower = BAY.towers[0]
    # moved back and tilted down until all four corners are in its picture
    up = np.array([0.0, 0.0, 1.0])
    centre = np.array([5.0, 0.3, 3.0])
    ahead = np.array([-0.5 * BAY.standoff, 0.0, 0.0]) - centre
    z = ahead / np.linalg.norm(ahead)
    x = np.cross(z, up) / np.linalg.norm(np.cross(z, up))
    T_bay_camera = Pose(np.column_stack((x, np.cross(z, x), z)), centre)
    write_layout(tmp_path / "floor.csv", tags)
    cv2.imwrite(str(tmp_path / "floor.png"), frame_of(tags, T_bay_camera, tower.camera))
    layout = read_layout(tmp_path / "floor.csv")
    found = measure_layout(tmp_path / "floor.png", tower.camera, layout)
    assert found.missed == ()
    result = found.result
    assert not any(verdict.misplaced for verdict in result.tags)
    sigma = np.sqrt(np.diag(result.covariance))
    off = log_rotation(result.T_layout_camera.rotation.T @ T_bay_camera.rotation)
    assert np.linalg.norm(off) < 4.0 * np.linalg.norm(sigma[:3])
    error = result.T_layout_camera.translation - centre
    assert np.all(np.abs(error) < 4.0 * sigma[3:])
    # seen upright from the towers: the tag's top runs away from them
    assert_allclose(tags[0].T_layout_tag.rotation[:, 1], [-1.0, 0.0, 0.0])


def test_a_tag_drawn_upside_down_stands_so_in_the_table(tmp_path):
    both = [build_target(MarkerDesign(marker_id=20, half_turn=turned)) for turned in (False, True)]
    poses = [
        layout_of_bay(replace(BAY, bar=replace(BAY.bar, target_a=target)), "bar")[0].T_layout_tag
        for target in both
    ]
    turn = log_rotation(poses[0].rotation.T @ poses[1].rotation)
    assert np.linalg.norm(turn) == pytest.approx(np.pi)
    assert_allclose(poses[0].translation, poses[1].translation)


def test_targets_without_tags_and_other_words_are_refused(tmp_path, capfd):
    with pytest.raises(ConfigError, match="has no tags for a layout"):
        layout_of_bay(replace(BAY, target=build_target(CirclesDesign())), "floor")
    assert main(["bay", "--layout", "ceiling", "--out", str(tmp_path)]) == 2
    assert "'ceiling' is not one of 'bar', 'floor'" in capfd.readouterr().err
    assert main(["bay", "--layout", "floor", "--out", str(tmp_path)]) == 0
    words = capfd.readouterr().out
    assert "sightbench targets --dictionary DICT_APRILTAG_36h11 --id 0,1,2,3" in words
    assert len(read_layout(tmp_path / "floor-layout.csv")) == 4
