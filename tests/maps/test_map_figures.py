import matplotlib.image
import numpy as np
import polars as pl
import pytest
from matplotlib.collections import QuadMesh

from bench.draw import style
from bench.draw.cell_grid import edges
from bench.draw.heat_maps import heat_map_figure
from bench.maps.comparison import reach_figure
from bench.maps.curves import error_against_range, error_against_tilt
from bench.maps.failures import failure_figure
from bench.maps.figures import (
    along_map,
    rotation_map,
    usable_map,
    write_map_figures,
)
from bench.maps.parts import parts_figure


def _figures(grid, info):
    with style.applied():
        yield "rotation", heat_map_figure(grid, rotation_map(grid, info), info)
        yield "along", heat_map_figure(grid, along_map(grid, info), info)
        yield "usable", heat_map_figure(grid, usable_map(info), info)
        yield "failures", failure_figure(grid, info)
        yield "range", error_against_range(grid, info)
        yield "tilt", error_against_tilt(grid, info)
        yield "reach", reach_figure(grid, info)
        parts = parts_figure(grid, info)
        if parts is not None:  # of bays as built alone
            yield "parts", parts


def _panels(figure):
    return [axes for axes in figure.axes if axes.get_xlabel() or axes.get_title(loc="left")]


def _meshes(figure):
    return [m for axes in _panels(figure) for m in axes.findobj(QuadMesh)]


@pytest.mark.slow
def test_no_text_overlaps_or_leaves_the_page(any_survey, map_info, text_faults):
    grid, _, _, _ = any_survey
    faults = {
        kind: text_faults(figure)
        for kind, figure in _figures(grid, map_info)
        if figure is not None
    }
    assert {kind: found for kind, found in faults.items() if found} == {}


@pytest.fixture(scope="module")
def drawn(survey, map_info):
    """All figures of one survey, by kind."""
    grid, _, _, _ = survey("two pipelines")
    return dict(_figures(grid, map_info))


def test_every_picture_names_n_seed_bay_target_camera_and_version(drawn):
    for kind, figure in drawn.items():
        words = " ".join(" ".join(t.get_text() for t in figure.texts).split())
        for fact in ("n = 60", "seed 7", "training workshop", "36h11-0", "f = 3000 px", "0.1.0"):
            assert fact in words, (kind, fact)


def test_every_picture_labels_its_axes_with_units(drawn):
    for kind, figure in drawn.items():
        labels = {a.get_xlabel() for a in figure.axes} | {a.get_ylabel() for a in figure.axes}
        expected = {
            "ratio": set(),
            "range": {"range (m)", "rotation error (deg)"},
            "tilt": {"tilt (deg)", "rotation error (deg)"},
        }.get(kind, {"range (m)", "tilt (deg)"})
        assert expected <= labels, kind


def test_panels_share_one_logarithmic_scale_and_true_edges(survey, map_info):
    grid, _, _, _ = survey("uneven ranges")
    with style.applied():
        figure = heat_map_figure(grid, rotation_map(grid, map_info), map_info)
    meshes = _meshes(figure)
    assert len(meshes) == 2
    assert len({id(m.norm) for m in meshes}) == 1
    assert isinstance(meshes[0].norm, matplotlib.colors.LogNorm)
    for mesh in meshes:
        x = np.asarray(mesh.get_coordinates())[0, :, 0]
        # geometric means of neighbours: the steps of this grid call for a logarithmic axis
        inner = np.sqrt(grid.ranges_m[1:] * grid.ranges_m[:-1])
        np.testing.assert_allclose(np.exp(x[1:-1]), inner)
        np.testing.assert_allclose(x, edges(np.log(grid.ranges_m)))
        assert np.all(mesh.get_array().compressed() >= mesh.norm.vmin)
        assert np.all(mesh.get_array().compressed() <= mesh.norm.vmax)


def test_the_tolerance_contour_runs_between_cells_on_either_side_of_it(survey, drawn):
    grid, _, _, _ = survey("two pipelines")
    figure = drawn["rotation"]
    drawn = 0
    for axes, facet in zip(_panels(figure), grid.facets, strict=True):
        field = grid.array(facet, "p95_rot_deg")
        for contour in (c for c in axes.collections if c.get_gid() == "tolerance contour"):
            drawn += 1
            for path in contour.get_paths():
                for x, y in path.vertices:
                    # bilinear in the logarithm, so on every grid line linear between two centres
                    i = np.clip(np.searchsorted(grid.turns_deg, y) - 1, 0, field.shape[0] - 2)
                    j = np.clip(np.searchsorted(grid.ranges_m, x) - 1, 0, field.shape[1] - 2)
                    corners = field[i : i + 2, j : j + 2]
                    assert corners.min() <= 0.1 <= corners.max()
    assert drawn == 2
    labels = [t.get_text() for axes in _panels(figure) for t in axes.texts]
    assert labels.count("0.1 deg") == 2


def test_outlined_cells_are_exactly_those_that_hold(survey, drawn):
    grid, _, _, limits = survey("two pipelines")
    figure = drawn["rotation"]
    x, y = edges(grid.ranges_m), edges(grid.turns_deg)
    for axes, facet in zip(_panels(figure), grid.facets, strict=True):
        holds = grid.equals(facet, "verdict", "holds")
        assert holds.any()
        assert not holds.all()
        outline = next(c for c in axes.collections if c.get_gid() == "holds")
        sides = {
            tuple(sorted(map(tuple, np.round(side, 9).tolist())))
            for side in outline.get_segments()
        }
        for i, j in np.ndindex(holds.shape):
            right = holds[i, j + 1] if j + 1 < holds.shape[1] else False
            side = tuple(sorted([(x[j + 1], y[i]), (x[j + 1], y[i + 1])]))
            assert (side in sides) == (holds[i, j] != right)
        table = limits.cells.filter(pl.col("pipeline") == facet.pipeline)
        assert holds.sum() == (table["verdict"] == "holds").sum()


def test_numbers_in_cells_are_the_tables_and_undecided_ones_ask(survey, drawn):
    grid, _, _, _ = survey("two pipelines")
    figure = drawn["rotation"]
    for axes, facet in zip(_panels(figure), grid.facets, strict=True):
        values = grid.array(facet, "p95_rot_deg")
        doubtful = grid.equals(facet, "verdict", "undecided")
        wanted = {
            way + ("?" if doubtful[i, j] else "")
            for i, j in np.ndindex(values.shape)
            for digits in (1, 2)
            for number in [style.number(values[i, j], digits)]
            for way in (number, number.removeprefix("0"))
        }
        found = {t.get_text() for t in axes.texts} - {"0.1 deg"}
        assert found <= wanted
        assert len(axes.texts) - 1 >= 0.8 * values.size


def test_cells_without_a_usable_case_are_hatched_and_explained(survey, map_info, drawn_texts):
    grid, _, _, _ = survey("a corner lost")
    with style.applied():
        figure = heat_map_figure(grid, rotation_map(grid, map_info), map_info)
    for axes, facet in zip(_panels(figure), grid.facets, strict=True):
        empty = int(np.isnan(grid.array(facet, "rms_rot_deg")).sum())
        assert empty > 0
        assert sum(1 for p in axes.patches if p.get_hatch()) == empty
    assert "no usable case" in [text for text, _ in drawn_texts(figure)]


def test_axles_within_the_grid_are_marked_and_others_not(survey, map_info):
    grid, _, _, _ = survey("one tilt")
    with style.applied():
        figure = heat_map_figure(grid, rotation_map(grid, map_info), map_info)
        lines = [
            line.get_xdata()[0] for line in _panels(figure)[0].lines if line.get_gid() == "axle"
        ]
        assert lines == [2.4, 4.9]
        grid, _, _, _ = survey("long names")
        figure = heat_map_figure(grid, rotation_map(grid, map_info), map_info)
        assert not [x for x in _panels(figure)[0].lines if x.get_xdata()[0] == 4.9]


def test_on_a_logarithmic_axis_ticks_and_axles_stand_at_their_ranges(survey, map_info):
    grid, _, _, _ = survey("uneven ranges")
    with style.applied():
        figure = heat_map_figure(grid, rotation_map(grid, map_info), map_info)
    panel = _panels(figure)[-1]
    assert panel.get_xlabel() == "range (m), logarithmic"
    figure.draw_without_rendering()
    for label in panel.get_xticklabels():
        assert np.exp(label.get_position()[0]) == pytest.approx(float(label.get_text()))
    axles = [line.get_xdata()[0] for line in panel.lines if line.get_gid() == "axle"]
    np.testing.assert_allclose(np.exp(axles), [2.4, 4.9])


def test_captions_name_no_files_as_a_report_has_none(survey, map_info):
    grid = survey("two pipelines")[0]
    for shown in (rotation_map(grid, map_info), usable_map(map_info), along_map(grid, map_info)):
        assert ".png" not in shown.caption


def test_captions_list_the_axles_whose_ranges_are_marked(drawn):
    for kind, figure in drawn.items():
        words = " ".join(" ".join(t.get_text() for t in figure.texts).split())
        marked = kind not in ("tilt", "reach", "ratio")
        assert ("Ranges of axles: front 2.40 m, rear 4.90 m." in words) is marked, kind


def test_failures_are_broken_down_by_the_kinds_that_occurred(survey, drawn, drawn_texts):
    _, _, cells, _ = survey("two pipelines")
    words = [text for text, _ in drawn_texts(drawn["failures"])]
    for kind in ("missed", "mirrored", "ambiguous"):
        count, n = int(cells[f"n_{kind}"].sum()), int(cells["n"].sum())
        assert any(w.startswith(kind) and w.endswith(f"({count} of {n} cases)") for w in words)
    assert any("Never seen in this survey: wrong id, not finite" in w for w in words)


@pytest.mark.slow
def test_all_pictures_are_written_and_readable(survey, map_info, tmp_path):
    _, _, cells, limits = survey("two pipelines")
    paths = write_map_figures(tmp_path / "new", cells, limits, map_info)
    assert sorted(p.name for p in paths) == sorted(p.name for p in (tmp_path / "new").iterdir())
    assert len(paths) == 10
    for path in paths:
        image = matplotlib.image.imread(path)
        assert image.shape[1] == round(style.WIDTH * style.DPI)
        assert np.ptp(image[..., :3]) == 1.0  # neither blank nor washed out


def test_parts_are_drawn_of_bays_as_built_alone(survey, map_info, drawn_texts):
    assert parts_figure(survey("two pipelines")[0], map_info) is None
    with style.applied():
        figure = parts_figure(survey("as built")[0], map_info)
    words = [text for text, _ in drawn_texts(figure)]
    assert {"whole error", "common to the tower's camera", "the plate's own"} <= set(words)


def test_what_the_bay_allows_is_drawn_beside_the_bound_as_built(survey, map_info, drawn_texts):
    for name, expected in (("as built", True), ("two pipelines", False)):
        with style.applied():
            figure = error_against_range(survey(name)[0], map_info)
        words = [text for text, _ in drawn_texts(figure)]
        assert ("what this bay allows" in words) is expected
