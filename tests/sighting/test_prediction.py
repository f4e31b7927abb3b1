"""Predicted uncertainties: bounds, the table that stands in for the image's, a map's ratio."""

import math
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from fixtures.surveys import map_cells as cells

from bench.errors import ConfigError, RunError
from bench.imaging.illumination import Illumination
from bench.scene.load import load_bay
from bench.scene.model import Tolerance
from bench.scene.parts import bay_parts
from bench.sighting.map_ratio import read_map_ratio
from bench.sighting.prediction import Prediction, Predictor, predictor_of
from bench.sighting.sighting import sightings
from bench.siting.tower_layout import layout_of, with_layout
from bench.targets.design import MarkerDesign, build_target


@pytest.fixture(scope="module")
def bay():
    return load_bay()


@pytest.fixture
def write_map(bay, tmp_path, write_run):
    def write(table, of=bay):
        table.write_parquet(tmp_path / "cells.parquet")
        return write_run(of, tmp_path)

    return write


@pytest.fixture
def run(write_map):
    return write_map(cells())


def test_the_share_is_the_larger_expanded_uncertainty_over_its_tolerance():
    tolerance = Tolerance(1.0, 0.9, 0.9, toe=0.002, camber=0.004, thrust=1.0)
    # 2 · 0.0005 / 0.002 = 0.5 and 2 · 0.0015 / 0.004 = 0.75
    assert Prediction(0.0005, 0.0015, 0.0, 0.0).share(tolerance) == pytest.approx(0.75)


def test_a_corner_prediction_is_proportional_to_the_corner_s_noise(bay):
    a, b = (sightings(bay, Predictor("corner", s), visible=False)[0] for s in (0.1, 0.3))
    assert b.prediction.toe == pytest.approx(3.0 * a.prediction.toe)


def test_the_default_is_the_image_s_bound_where_the_bay_has_a_photometric_pipeline(bay):
    assert predictor_of(bay).bound == "image"
    corner = predictor_of(bay, pipeline="apriltag/ippe-lm")
    assert corner.bound == "corner"
    assert corner.sigma_px == 0.043  # what the detector claims
    assert predictor_of(bay, sigma_px=0.2).sigma_px == 0.2


def test_the_table_stands_in_for_the_image_s_bound(bay):
    exact = Predictor("image")
    quick = exact.quick(bay.target, bay.towers[0], (1.5, 12.0))
    for a, b in zip(
        sightings(bay, exact, visible=False)[:6],
        sightings(bay, quick, visible=False)[:6],
        strict=True,
    ):
        # made on the axis for one direction of tilt: no more than a guide for searching
        assert a.prediction.toe == pytest.approx(b.prediction.toe, rel=0.35)
        assert a.prediction.camber == pytest.approx(b.prediction.camber, rel=0.35)


def test_the_image_s_bound_is_below_that_of_any_corner_detector(bay):
    image = sightings(bay, Predictor("image"), visible=False)[0].prediction
    corners = sightings(bay, predictor_of(bay, "corner"), visible=False)[0].prediction
    assert image.toe < corners.toe
    assert image.along < corners.along


def test_a_map_s_ratio_multiplies_the_bound(bay, run):
    bare = sightings(bay, Predictor("image"), visible=False)[0].prediction
    predictor = predictor_of(bay, runs=[run], as_built=False)
    scaled = sightings(bay, predictor, visible=False)[0].prediction
    assert scaled.toe == pytest.approx(2.0 * bare.toe)
    assert scaled.along == pytest.approx(2.0 * bare.along)
    assert scaled.measured


def test_ratios_are_linear_between_cells_in_tilt_and_log_range(write_map):
    table = cells().with_columns(pl.col("rms_rot_deg") * (1.0 + pl.col("tilt_deg") / 10.0) / 2.0)
    grid = read_map_ratio(write_map(table), "apriltag/photometric", "image").grid
    ratios, measured = grid.at(np.array([3.0, 8.0]), np.radians([20.0, 40.0]))
    # (1 + 2) and (1 + 4): halfway between cells
    np.testing.assert_allclose(ratios[:, 0], (3.0, 5.0), rtol=1e-9)
    assert measured.all()


def test_outside_the_map_the_nearest_cell_serves_and_is_not_called_measured(run):
    grid = read_map_ratio(run, "apriltag/photometric", "image").grid
    ratios, measured = grid.at(np.array([1.0, 4.0, 4.0]), np.radians([20.0, 20.0, 60.0]))
    np.testing.assert_allclose(ratios, 2.0, rtol=1e-9)
    assert measured.tolist() == [False, True, False]


def test_a_cell_without_usable_cases_is_not_measured(write_map):
    table = cells().with_columns(
        pl.when((pl.col("range_m") == 16.0) & (pl.col("tilt_deg") == 50.0))
        .then(10)
        .otherwise(pl.col("n_ok"))
        .alias("n_ok")
    )
    grid = read_map_ratio(write_map(table), "apriltag/photometric", "image").grid
    _, measured = grid.at(np.array([15.0, 15.0, 5.0]), np.radians([45.0, 20.0, 45.0]))
    assert measured.tolist() == [False, True, True]


def test_the_number_of_cases_is_stated(run):
    assert read_map_ratio(run, "apriltag/photometric", "image").n == 100
    assert "n = 100" in predictor_of(load_bay(), runs=[run]).basis


def test_a_map_without_the_pipeline_is_refused(run):
    with pytest.raises(ConfigError, match=r"no pipeline 'x/y'; it has apriltag/photometric"):
        read_map_ratio(run, "x/y", "image")


def test_a_directory_without_a_map_is_refused(tmp_path):
    with pytest.raises(RunError, match=r"cells\.parquet"):
        read_map_ratio(tmp_path, "x/y", "image")


def test_a_map_whose_bound_holds_nowhere_is_refused(write_map):
    run = write_map(cells(bound_holds=False))
    with pytest.raises(ConfigError, match="no cell"):
        read_map_ratio(run, "apriltag/photometric", "image")


@pytest.mark.parametrize("sigma", [0.0, -1.0, math.nan])
def test_a_corner_s_noise_must_be_positive(bay, sigma):
    with pytest.raises(ConfigError, match="corner sigma"):
        predictor_of(bay, sigma_px=sigma)


def test_a_corner_s_noise_and_a_map_exclude_each_other(bay, run):
    with pytest.raises(ConfigError, match="give one"):
        predictor_of(bay, sigma_px=0.1, runs=[run])


def other_lens(bay, length):
    return with_layout(bay, replace(layout_of(bay), focal_length=length))


def test_a_map_of_another_lens_is_refused_and_named(bay, run):
    with pytest.raises(ConfigError, match=r"another camera: camera \(this bay's: 2448"):
        predictor_of(other_lens(bay, 8e-3), runs=[run])


def test_a_map_of_another_target_is_refused_and_named(bay, run):
    smaller = replace(bay, target=build_target(MarkerDesign(size=0.12, plate=(0.16, 0.16))))
    with pytest.raises(ConfigError, match=r"another target: target \(this bay's: "):
        predictor_of(smaller, runs=[run])


def test_a_map_of_other_light_is_refused_and_named(bay, run):
    dim = [
        replace(t, imaging=replace(t.imaging, illumination=Illumination(level=0.3)))
        for t in bay.towers
    ]
    with pytest.raises(ConfigError, match="another imaging: imaging"):
        predictor_of(replace(bay, towers=tuple(dim)), runs=[run])


def test_a_map_serves_another_tower_that_was_calibrated_apart(bay, run):
    left, right = bay.towers
    apart = replace(right, camera=replace(right.camera, cx=right.camera.cx + 7.0))
    assert predictor_of(replace(bay, towers=(left, apart)), runs=[run]).ratio is not None


def test_each_lens_gets_its_own_map(bay, write_map, tmp_path, write_run):
    long = other_lens(bay, 16e-3)
    folder = tmp_path / "long"
    folder.mkdir()
    cells(3.0).write_parquet(folder / "cells.parquet")
    runs = [write_map(cells()), write_run(long, folder)]
    asked = predictor_of(bay, runs=runs, other_lenses=True)
    assert asked.for_bay(long).ratio.source == str(folder)
    assert asked.for_bay(bay).ratio.source == str(tmp_path)


def test_the_digest_of_a_lens_from_a_list_is_that_of_a_bay_file_with_it(bay, tmp_path):
    text = bay.path.read_text().replace('focal_length = "12 mm"', 'focal_length = "8 mm"')
    (tmp_path / "short.toml").write_text(text)
    written = load_bay(tmp_path / "short.toml")
    listed = other_lens(bay, 8e-3)
    assert bay_parts(written)["left camera"] == bay_parts(listed)["left camera"]
