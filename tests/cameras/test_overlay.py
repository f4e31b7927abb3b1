import numpy as np
import pytest
from matplotlib.image import AxesImage, imread

from bench.cameras import overlay_marks
from bench.cameras.overlay import measurement_words, overlay_figure, write_overlay
from bench.cameras.photographs import Measurement
from bench.detect.detection import Detection, Found
from bench.detect.observation import Observation
from bench.draw import style
from bench.errors import ConfigError
from bench.geometry.camera import Camera, project
from bench.geometry.viewing import View, pose_of_view
from bench.imaging.picture import Picture
from bench.solve.estimate import Estimate, Outcome
from bench.targets.design import CharucoDesign, MarkerDesign, build_target

CAMERA = Camera(640, 480, 700.0, 700.0, 319.5, 239.5, (-0.1, 0.02, 0.0, 0.0, 0.0))
MARKER = build_target(MarkerDesign(marker_id=7))
BOARD = build_target(CharucoDesign("DICT_4X4_50", columns=7, rows=5, square=0.04, marker=0.03))


def _measurement(
    target=MARKER,
    camera=CAMERA,
    range_m=2.0,
    turn=40.0,
    pixel=(300.0, 200.0),
    noise=0.2,
    outcome=Outcome.OK,
    covariance=True,
    runner_up=True,
    seed=0,
):
    rng = np.random.default_rng(seed)
    picture = Picture(rng.integers(60, 90, (camera.height, camera.width)).astype(np.uint8))
    observation = Observation(picture, camera, target)
    if outcome in (Outcome.MISSED, Outcome.WRONG_ID):
        found = Found.MISSED if outcome is Outcome.MISSED else Found.WRONG_ID
        return Measurement(
            "hall.png", "aruco-subpix/ippe-lm", observation, Detection(found), Estimate(outcome)
        )
    T_est = pose_of_view(View(range_m, np.radians(turn), 0.1, 0.2, pixel), camera)
    xy = target.points if len(target.points) else np.vstack(list(target.markers.values()))
    p_target = np.column_stack((xy, np.zeros(len(xy))))
    pixels = project(p_target, T_est, camera) + rng.normal(0.0, noise, xy.shape)
    detection = Detection(Found.FOUND, pixels, p_target, tuple(target.markers))
    estimate = Estimate(
        outcome,
        T_est,
        np.diag([1e-6, 4e-6, 1e-8, 1e-8, 1e-8, 1e-6]) if covariance else None,
        rmse_px=0.28,
        runner_up=pose_of_view(View(range_m, np.radians(-turn), 0.1, 0.2, pixel), camera)
        if runner_up
        else None,
        runner_up_rmse_px=1.5 if runner_up else float("nan"),
    )
    return Measurement("hall.png", "aruco-subpix/ippe-lm", observation, detection, estimate)


def _figure(*measurements, note=""):
    with style.applied():
        return overlay_figure(measurements, note)


def _with_gid(axes, gid):
    return list(axes.findobj(lambda a: a.get_gid() == gid))


def test_a_picture_is_shown_dot_for_dot_under_the_drawing(tmp_path):
    missed = _measurement(outcome=Outcome.MISSED)
    path = write_overlay(tmp_path / "hall.png", [missed])
    shown = np.rint(imread(path)[..., 0] * 255.0)
    grey = missed.observation.picture.grey
    assert shown.shape[1] == 2 * grey.shape[1]
    wanted = grey.repeat(2, axis=0).repeat(2, axis=1)
    top = next(
        row
        for row in range(shown.shape[0] - wanted.shape[0])
        if np.array_equal(shown[row, :50], wanted[0, :50])
    )
    np.testing.assert_array_equal(shown[top : top + wanted.shape[0]], wanted)


def test_a_large_picture_keeps_its_own_resolution():
    camera = Camera(2592, 1944, 3000.0, 3000.0, 1295.5, 971.5)
    figure = _figure(_measurement(camera=camera, pixel=(1700.0, 800.0)))
    assert round(figure.bbox.width) == 2592
    main = figure.axes[0].get_window_extent()
    assert (round(main.width), round(main.height)) == (2592, 1944)


def test_pixel_centres_lie_at_whole_coordinates():
    picture = _measurement().observation.picture
    shifted = Picture(picture.grey[:100, :200], u0=30, v0=50)
    found = _measurement(outcome=Outcome.MISSED)
    observation = Observation(shifted, CAMERA, MARKER)
    figure = _figure(Measurement("cut.png", "a/b", observation, found.detection, found.estimate))
    image = figure.axes[0].findobj(AxesImage)[0]
    assert image.get_extent() == [29.5, 229.5, 149.5, 49.5]


def test_a_small_target_is_shown_again_enlarged_and_a_large_one_is_not():
    assert len(_figure(_measurement(range_m=3.0)).axes) == 2
    assert len(_figure(_measurement(range_m=0.4, turn=20.0)).axes) == 1


def test_outline_is_the_plate_as_the_lens_shows_it():
    measurement = _measurement()
    axes = _figure(measurement).axes[1]
    (line,) = _with_gid(axes, "outline")
    T_est = measurement.estimate.T_camera_target_est
    corners = np.column_stack((MARKER.drawing.outline, np.zeros(4)))
    wanted = project(corners, T_est, CAMERA)
    drawn = line.get_xydata()
    for corner in wanted:
        assert np.min(np.linalg.norm(drawn - corner, axis=1)) < 1e-9
    assert len(drawn) > 4 * 20  # bent by distortion, so corners alone wouldn't do


def test_residuals_start_at_the_prediction_and_point_to_the_detection_magnified():
    measurement = _measurement(noise=0.3)
    axes = _figure(measurement).axes[1]
    (lines,) = _with_gid(axes, "residuals")
    T_est = measurement.estimate.T_camera_target_est
    predicted = project(measurement.detection.p_target, T_est, CAMERA)
    segments = np.array(lines.get_segments())
    np.testing.assert_allclose(segments[:, 0], predicted)
    key = [t.get_text() for t in _figure(measurement).legends[0].get_texts()]
    factor = float(next(t for t in key if t.startswith("residual")).split()[2].rstrip(","))
    assert factor > 1.0
    np.testing.assert_allclose(
        segments[:, 1] - segments[:, 0], factor * (measurement.detection.pixels - predicted)
    )


def test_axes_are_the_targets_own_and_lettered():
    measurement = _measurement()
    axes = _figure(measurement).axes[1]
    T_est = measurement.estimate.T_camera_target_est
    length = 0.5 * MARKER.extent
    for i, name in enumerate("xyz"):
        (line,) = _with_gid(axes, f"axis {name}")
        end = project(length * np.eye(3)[i : i + 1], T_est, CAMERA)[0]
        np.testing.assert_allclose(line.get_xydata()[1], end)
        assert name in [t.get_text() for t in axes.texts]


def test_an_axis_that_leaves_the_picture_keeps_its_letter_in_it():
    measurement = _measurement(range_m=0.45, turn=45.0, pixel=(560.0, 200.0))
    axes = _figure(measurement).axes[0]
    letters = {t.get_text(): t.get_position() for t in axes.texts}
    T_est = measurement.estimate.T_camera_target_est
    ends = project(0.5 * MARKER.extent * np.eye(3), T_est, CAMERA)
    assert np.any(ends[:, 0] > CAMERA.width)
    for name in "xyz":
        assert CAMERA.contains(np.array(letters[name]))


def test_the_runner_up_is_drawn_faint_and_named_only_where_there_is_one():
    with_one, without = _figure(_measurement()), _figure(_measurement(runner_up=False))
    assert len(_with_gid(with_one.axes[1], "runner-up")) == 1
    assert not _with_gid(without.axes[1], "runner-up")
    words = [t.get_text() for t in without.legends[0].get_texts()]
    assert not any("runner-up" in w for w in words)


def test_a_boards_marker_ids_are_written_at_their_markers():
    measurement = _measurement(BOARD, range_m=0.5, turn=10.0, runner_up=False)
    axes = _figure(measurement).axes[0]
    texts = {t.get_text(): t.get_position() for t in axes.texts}
    T_est = measurement.estimate.T_camera_target_est
    for marker_id, corners in BOARD.markers.items():
        centre = project(np.array([[*corners.mean(axis=0), 0.0]]), T_est, CAMERA)[0]
        np.testing.assert_allclose(texts[str(marker_id)], centre)


@pytest.mark.parametrize("outcome", [Outcome.MISSED, Outcome.WRONG_ID, Outcome.NOT_FINITE])
def test_what_has_no_pose_is_told_in_words(outcome, text_faults):
    measurement = _measurement(outcome=Outcome.MISSED)
    measurement = Measurement(
        "x.png", "a/b", measurement.observation, measurement.detection, Estimate(outcome)
    )
    assert measurement_words(measurement).endswith(outcome.value.replace("_", " ") + ".")
    assert text_faults(_figure(measurement)) == []


def test_caption_gives_range_tilt_and_claimed_uncertainties():
    words = measurement_words(_measurement())
    assert "Range 2.0000 m (u 1.0 mm)" in words
    tilt = np.degrees(np.arccos(np.cos(np.radians(40.0)) * np.cos(0.1)))
    assert f"tilt {tilt:.2f} deg" in words
    # sigmas of turn (y), pitch (x), roll (z): 2, 1 and 0.1 mrad
    assert "(u 0.11, 0.057, 0.0057 deg)" in words
    assert "runner-up 1.500 px" in words
    assert "(u" not in measurement_words(_measurement(covariance=False))


def test_a_pose_partly_behind_the_camera_draws_what_it_can():
    close = _measurement(range_m=0.11, turn=80.0, noise=0.0)
    _figure(close).canvas.draw()


@pytest.mark.slow
@pytest.mark.parametrize(
    "size", [(640, 480), (2592, 1944), (100, 80), (480, 640)], ids=lambda s: f"{s[0]}x{s[1]}"
)
def test_no_text_beside_the_picture_overlaps_or_leaves_the_page(size, text_faults):
    w, h = size
    camera = Camera(w, h, 1.1 * w, 1.1 * w, 0.5 * w - 0.5, 0.5 * h - 0.5)
    measurements = [
        _measurement(camera=camera, pixel=(x * w, y * h), range_m=4.0, seed=i)
        for i, (x, y) in enumerate([(0.2, 0.3), (0.7, 0.3), (0.3, 0.7), (0.8, 0.8)])
    ]
    figure = _figure(*measurements, note="sightbench 0.1.0")
    # letters of the axes may cross one another where an axis points at the camera
    faults = [f for f in text_faults(figure) if not any(f"'{c}'" in f for c in "xyz1234")]
    assert faults == []


def test_long_lists_end_with_a_count(drawn_texts):
    many = [_measurement(outcome=Outcome.MISSED) for _ in range(15)]
    words = [t for t, _ in drawn_texts(_figure(*many))]
    assert "and 3 more, which the table lists" in words


def test_nothing_to_draw_is_refused():
    with pytest.raises(ConfigError, match="nothing to draw"):
        overlay_figure([])


@pytest.mark.parametrize(
    ("size", "length", "factor"),
    [(0.1, 30.0, 200.0), (0.01, 20.0, 2000.0), (40.0, 10.0, 1.0), (0.0, 10.0, 1.0)],
)
def test_magnification_is_round_and_at_least_one(size, length, factor):
    residuals = np.column_stack((np.full(10, size), np.zeros(10)))
    assert overlay_marks.magnification(residuals, length) == factor
