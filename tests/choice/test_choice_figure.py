"""The page that compares drawings: every part says what the tables say."""

import numpy as np
import polars as pl
import pytest
from matplotlib.colors import to_hex
from matplotlib.patches import Circle, PathPatch, Rectangle

from bench.choice.bars import hatches_of, kinds_of, variants_of
from bench.choice.candidates import Candidate
from bench.choice.choice import Surveyed, choose_drawing
from bench.choice.drawings import Exhibit, Showcase, draw_drawing
from bench.choice.figure import Shown, choice_figure, shown_view
from bench.draw import style
from bench.draw.page_layout import Box, Page
from bench.imaging.picture import Picture
from bench.survey.plan import Plan
from bench.survey.setting import Setting
from bench.survey.worker import Job, Worker, picture_of_case
from bench.targets.design import build_target
from bench.targets.fill import Plate, design_on_plate

SPECS = ("marker:36h11:0", "charuco:4x4_50:5x5", "circles:5x5:symmetric")
PIPELINES = ("eye/ippe-lm", "eye/photometric")
SHAPES = {
    "three drawings": {"count": 3, "trials": 16},
    "one drawing, one pipeline": {"count": 1, "pipelines": PIPELINES[:1], "trials": 40},
    "seven drawings": {"count": 7, "trials": 4, "turns": (20.0, 50.0), "ranges": (2.0, 4.0)},
    "many tilts": {"count": 2, "trials": 4, "turns": tuple(np.arange(0.0, 80.0, 7.0))},
    "pitches": {"count": 2, "trials": 4, "turns": (-20.0, 20.0), "pitches": (0.0, 25.0)},
    "one cell": {"count": 2, "trials": 40, "turns": (30.0,), "ranges": (3.0,)},
    "all lost": {"count": 2, "trials": 4, "lost": lambda p, r, t: True},
    "one solver, two detectors": {
        "count": 2,
        "trials": 40,
        "pipelines": ("eye/ippe-lm", "a-detector-with-a-long-name/ippe-lm"),
    },
}


def target(index):
    spec = SPECS[index] if index < 3 else f"grid:36h11:{index}x{index}"
    return build_target(design_on_plate(spec, Plate(0.26, 0.26)))


@pytest.fixture(scope="module")
def compared(make_tables, map_info):
    """A maker of (choice, shown) of invented drawings."""
    made = {}

    def get(name):
        if name not in made:
            options = dict(SHAPES[name])
            count, pipelines = options.pop("count"), options.pop("pipelines", PIPELINES)
            surveyed = []
            for index in range(count):
                cases, _ = make_tables(pipelines=pipelines, seed=index, **options)
                candidate = Candidate(SPECS[index % 3], target(index), pipelines)
                surveyed.append(Surveyed.of(candidate, cases, map_info.request))
            choice = choose_drawing(surveyed, map_info.request)
            grey = np.tile(np.arange(0, 250, 2, dtype=np.uint8), (90, 1))
            cells = surveyed[0].cells
            shown = Shown(
                cells["turn_deg"].max(),
                cells["pitch_deg"].min(),
                cells["range_m"].max(),
                120.0,
                tuple(Exhibit(s.candidate.target, Picture(grey)) for s in surveyed),
            )
            made[name] = choice, shown
        return made[name]

    return get


@pytest.fixture(scope="module")
def page(compared, map_info):
    """A maker of the figure of (choice, shown)."""

    def draw(name):
        with style.applied():
            return choice_figure(*compared(name), map_info)

    return draw


# half of them are enough to see that the layout follows what there is
SLOW_SHAPES = (
    "one drawing, one pipeline",
    "many tilts",
    "pitches",
    "all lost",
    "one solver, two detectors",
)


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=pytest.mark.slow) if n in SLOW_SHAPES else n for n in SHAPES],
)
def test_no_text_overlaps_or_leaves_the_page(page, text_faults, name):
    with style.applied():
        assert text_faults(page(name)) == []


def bars(figure, choice, turn):
    """Return width and left end of the bars in the panel of a tilt, top to bottom."""
    axes = next(a for a in figure.axes if a.get_title(loc="left") == f"tilt {turn:g} deg")
    found = [p for p in axes.patches if isinstance(p, Rectangle)]
    return sorted((round(p.get_y(), 6), p.get_x(), p.get_width(), p.get_hatch()) for p in found)


def test_bars_are_as_long_as_the_table_says(page, compared):
    choice, _ = compared("three drawings")
    figure = page("three drawings")
    for turn in (20.0, 65.0):
        rows = choice.table.filter(pl.col("turn_deg") == turn)
        expected = []
        for row in rows.iter_rows(named=True):
            held, possible = row["longest_range_m"] or 0.0, row["possible_range_m"] or 0.0
            expected += [(0.0, held)] if held else []
            expected += [(held, possible - held)] if possible > held else []
        drawn = [(left, width) for _, left, width, _ in bars(figure, choice, turn)]
        assert np.allclose(drawn, expected)
    assert choice.table["longest_range_m"].is_not_null().any()


def test_bars_of_a_drawings_pipelines_differ_by_hatch(page, compared):
    choice, _ = compared("three drawings")
    solid = [b for b in bars(page("three drawings"), choice, 20.0) if b[1] == 0.0]
    assert {b[3] for b in solid} == {"////", ""}


def test_words_beside_bars_name_the_range(page, compared, drawn_texts):
    choice, _ = compared("three drawings")
    texts = [text for text, _ in drawn_texts(page("three drawings"))]
    for row in choice.table.filter(pl.col("longest_range_m").is_not_null()).iter_rows(named=True):
        mark = "+" if row["all_tested"] else ""
        mark = "?" if not mark and row["cells_possible"] > row["cells_held"] else mark
        assert f"{row['longest_range_m']:g} m{mark}" in texts


def test_errors_are_those_of_the_shown_view(page, compared):
    choice, shown = compared("three drawings")
    figure = page("three drawings")
    panels = {a.get_title(loc="left"): a for a in figure.axes if a.get_yscale() == "log"}
    assert set(panels) == {"ippe-lm", "photometric"}
    look = style.pipeline_styles([s.candidate.name for s in choice.surveyed])
    for surveyed in choice.surveyed:
        cells = surveyed.cells.filter(
            pl.col("pipeline") == "eye/ippe-lm", pl.col("turn_deg") == shown.turn_deg
        ).sort("range_m")
        colour = look[surveyed.candidate.name].colour
        drawn = [
            line.get_ydata()
            for line in panels["ippe-lm"].lines
            if to_hex(line.get_color()) == colour.lower() and len(line.get_ydata()) == len(cells)
        ]
        assert any(np.allclose(y, cells["p95_rot_deg"], equal_nan=True) for y in drawn)


def test_pipelines_with_one_solver_are_told_apart_by_their_whole_names():
    pipelines = SHAPES["one solver, two detectors"]["pipelines"]
    rows = [(name, pipeline) for name in ("one", "other") for pipeline in pipelines]
    variants = variants_of(pl.DataFrame(rows, schema=["candidate", "pipeline"], orient="row"))
    assert sorted(kinds_of(variants)) == sorted(variants)
    assert len(set(hatches_of(variants).values())) == 2


def test_drawing_is_shown_in_its_own_reflectances():
    with style.applied():
        figure = style.new_figure(2.0, 2.0, dpi=100)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        drawing = target(2).drawing
        draw_drawing(axes, drawing)
        assert len([p for p in axes.patches if isinstance(p, Circle)]) == 25
        figure.canvas.draw()
    grey = np.asarray(figure.canvas.buffer_rgba())[..., 0] / 255.0
    assert grey[100, 100] == pytest.approx(0.05, abs=0.01)  # the middle circle
    assert grey[3, 100] == pytest.approx(0.85, abs=0.01)  # white at the edge
    # black is the circles' share of the plate; circles of 9 px are drawn within 2 % in area
    share = 25 * np.pi * 0.0118**2 / 0.26**2
    assert (0.85 - grey.mean()) / 0.8 == pytest.approx(share, rel=0.04)


def test_holes_of_a_marker_stay_white():
    with style.applied():
        figure = style.new_figure(2.0, 2.0, dpi=100)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        draw_drawing(axes, target(0).drawing)
        assert all(isinstance(p, PathPatch) for p in axes.patches)
        figure.canvas.draw()
    grey = np.asarray(figure.canvas.buffer_rgba())[..., 0] / 255.0
    cells = 10  # 8 of the marker and one of white on each side
    seen = grey.reshape(cells, 20, cells, 20)[:, 5:15, :, 5:15].mean(axis=(1, 3)) > 0.5
    from bench.targets.dictionary import marker_cells

    assert np.array_equal(seen, np.pad(marker_cells("36h11", 0), 1, constant_values=True))


def test_exhibits_lie_side_by_side_within_their_height():
    picture = Picture(np.zeros((60, 50), dtype=np.uint8))
    showcase = Showcase([Exhibit(target(i % 3), picture) for i in range(7)], 9.7)
    with style.applied():
        page = Page("title", "", "", showcase.height)
        showcase.draw(page, 0.0)
    boxes = [axes.get_window_extent() for axes in page.figure.axes]
    assert len(boxes) == 14
    body = page.axes(Box(0.0, 0.0, 9.7, showcase.height)).get_window_extent()
    for i, one in enumerate(boxes):
        assert body.x0 - 1 < one.x0
        assert one.x1 < body.x1 + 1
        assert body.y0 - 1 < one.y0
        assert one.y1 < body.y1 + 1
        assert not any(one.overlaps(other) for other in boxes[:i])


def test_shown_view_is_the_nearest_turn_at_a_middle_range(setting_of, map_info):
    jobs, surveyed = setting_of(map_info.request)
    choice = choose_drawing(surveyed, map_info.request)
    shown = shown_view(choice, jobs, 44.0)
    assert (shown.turn_deg, shown.pitch_deg, shown.range_m) == (40.0, 0.0, 2.0)
    assert shown.plate_px == pytest.approx(900.0 * 0.26 / 2.0)
    for exhibit, (name, job) in zip(shown.exhibits, jobs.items(), strict=True):
        assert exhibit.target.name == name
        first = next(
            c for c in job.plan.cases() if (c.range_m, c.turn_deg, c.trial) == (2.0, 40.0, 0)
        )
        assert np.array_equal(exhibit.picture.grey, picture_of_case(first, job).grey)


@pytest.fixture
def setting_of():
    """A maker of jobs and surveyed drawings that a small camera truly saw."""

    def make(request):
        import io

        from bench.geometry.camera import Camera
        from bench.imaging.model import Imaging
        from bench.survey.columns import CASE_COLUMNS, names

        camera = Camera(640, 480, 900.0, 900.0, 319.5, 239.5)
        jobs, surveyed = {}, []
        for index, pipeline in enumerate(("aruco-none/ippe", "charuco/ippe")):
            setting = Setting(camera, Imaging(), target(index))
            plan = Plan(
                ranges_m=(1.0, 1.5, 2.0, 2.5),
                turns_deg=(0.0, 40.0, 60.0),
                pipelines=(pipeline,),
                trials=1,
                seed=1,
                **setting.digests(),
            )
            job = Job(plan, setting)
            part = Worker(job).run(range(plan.n_pictures)).part
            cases = pl.read_parquet(io.BytesIO(part)).select(names(CASE_COLUMNS))
            candidate = Candidate(SPECS[index], target(index), (pipeline,))
            jobs[candidate.name] = job
            surveyed.append(Surveyed.of(candidate, cases, request))
        return jobs, surveyed

    return make
