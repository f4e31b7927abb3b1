"""Synthetic survey tables, and checks of finished figures by their rendered boxes."""

from itertools import combinations

import numpy as np
import polars as pl
import pytest
from matplotlib.axes import Axes
from matplotlib.text import Text

from bench.present.grid import CellGrid
from bench.present.map_info import MapInfo
from bench.survey.cells import summarise
from bench.survey.columns import CASE_COLUMNS, COMPONENTS, schema
from bench.survey.limits import find_limits
from bench.survey.verdicts import Request

FOCAL_PX, SIZE_M, NOISE_PX = 3000.0, 0.2, 0.04
RANGES = (1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
TURNS = (0.0, 10.0, 20.0, 35.0, 50.0, 65.0)

LONG = tuple(
    f"{detector}/{solver}"
    for detector in ("aruco-subpix", "aruco-contour-refined-experimental", "apriltag")
    for solver in ("ippe-lm", "iterative-with-a-very-long-name")
)
SURVEYS = {
    "two pipelines": {"trials": 60},
    "uneven ranges": {"ranges": (1.0, 1.2, 1.5, 2.0, 4.0, 8.0), "trials": 6},
    "one cell": {"ranges": (3.0,), "turns": (0.0,), "pipelines": ("aruco-none/ippe",)},
    "one range": {"ranges": (3.0,), "trials": 6},
    "one tilt": {"turns": (30.0,), "trials": 6},
    "all lost": {"lost": lambda p, r, t: True, "trials": 3},
    "a corner lost": {"lost": lambda p, r, t: r > 3.5 and t > 60.0, "trials": 6},
    "long names": {"pipelines": LONG, "ranges": (2.0, 3.0, 4.0), "trials": 4},
    "pitches": {"pitches": (-20.0, 0.0, 20.0), "turns": (-30.0, 0.0, 30.0), "trials": 4},
    "one pitch": {"pitches": (15.0,), "turns": (0.0, 30.0), "trials": 4},
    "fine grid": {
        "ranges": tuple(np.arange(1.0, 8.0, 0.5)),
        "turns": tuple(np.arange(0.0, 80.0, 5.0)),
        "pipelines": ("aruco-none/ippe",),
        "trials": 2,
    },
}


def _case(rng, rank, range_m, turn, pitch, lost):
    """Invent one case: errors grow with range, shrink with tilt, and bad cases with both."""
    tilt = np.arccos(np.cos(np.radians(turn)) * np.cos(np.radians(pitch)))
    small = NOISE_PX * (1.0 + 0.7 * rank) * range_m / (FOCAL_PX * SIZE_M)  # noise over size
    across = np.degrees(min(small / max(np.sin(tilt), np.sqrt(small)), 0.5))
    p_bad = min(
        1.0, 0.001 * (1 + rank) * np.exp(0.7 * (range_m - 3.0)) * (10 if tilt > 1.1 else 1)
    )
    outcome = "ok"
    if lost:
        outcome = "missed"
    elif rng.random() < p_bad:
        outcome = str(rng.choice(["missed", "mirrored", "ambiguous"]))
    x, y, z = rng.normal(0.0, [across, across, 0.3 * across])
    row = {name: float(np.degrees(tilt)) for name in ("tilt_deg", "tilt_true_deg")}
    row["size_px"] = FOCAL_PX * SIZE_M / range_m
    row |= {"outcome": outcome, "err_rot_x_deg": x, "err_rot_y_deg": y, "err_rot_z_deg": z}
    row |= {
        "err_rot_deg": float(np.linalg.norm([x, y, z])),
        "err_right_mm": rng.normal(0.0, 0.02 * range_m),
        "err_up_mm": rng.normal(0.0, 0.02 * range_m),
        "err_along_mm": rng.normal(0.1, 0.3 * range_m**2 * (1 + rank)),
    }
    for prefix, share in (("bound", 0.2), ("corner_bound", 0.9)):
        row |= {f"{prefix}_rot_{axis}_deg": share * across for axis in "xyz"}
        row |= {f"{prefix}_{name}_mm": share * range_m for name in ("right", "up", "along")}
    if outcome in ("missed", "wrong_id", "not_finite"):
        row |= {c.column: None for c in COMPONENTS}
    return row


@pytest.fixture(scope="session")
def make_tables():
    """Return a function that invents (cases, cells) for a grid of views."""

    def make(
        pipelines=("aruco-subpix/ippe-lm", "apriltag/ippe-lm"),
        ranges=RANGES,
        turns=TURNS,
        pitches=(0.0,),
        trials=10,
        seed=7,
        lost=lambda pipeline, range_m, turn_deg: False,
    ):
        rng = np.random.default_rng(seed)
        rows = [
            {
                "key": f"{range_m:g}/{turn:g}/{pitch:g}/{trial}",
                "pipeline": pipeline,
                "range_m": float(range_m),
                "turn_deg": float(turn),
                "pitch_deg": float(pitch),
                "trial": trial,
                "whole": bool(range_m > 1.2),
                **_case(rng, rank, range_m, turn, pitch, lost(pipeline, range_m, turn)),
            }
            for rank, pipeline in enumerate(pipelines)
            for range_m in ranges
            for turn in turns
            for pitch in pitches
            for trial in range(trials)
        ]
        cases = pl.DataFrame(rows, infer_schema_length=None)
        # what isn't invented is null, so that the table has every column that cells are made of
        columns = schema(CASE_COLUMNS)
        absent = [pl.lit(None).alias(name) for name in columns if name not in cases.columns]
        cases = cases.with_columns(absent).select(list(columns)).cast(columns)
        return cases, summarise(cases)

    return make


@pytest.fixture(scope="session")
def map_info():
    """Return what captions say of an invented survey, judged at 0.05 deg and 90 %."""
    return MapInfo(
        bay="training workshop",
        target="marker 36h11-0, 200 mm",
        camera="2448 x 2048 px, f = 3000 px",
        seed=7,
        pictures=60,
        version="0.1.0",
        request=Request(rotation_deg=0.05, detection=0.9),
        axle_ranges=(("front", 2.4), ("rear", 4.9)),
    )


@pytest.fixture(scope="session")
def survey(make_tables, map_info):
    """Return a function that makes (grid, cases, cells, limits) of a named survey, once."""
    made = {}

    def get(name):
        if name not in made:
            cases, cells = make_tables(**SURVEYS[name])
            limits = find_limits(cases, map_info.request)
            verdicts = limits.cells.select(
                "pipeline",
                "range_m",
                "turn_deg",
                "pitch_deg",
                "rotation_verdict",
                "usable_verdict",
                "verdict",
            )
            on = ["pipeline", "range_m", "turn_deg", "pitch_deg"]
            grid = CellGrid.of(cells.join(verdicts, on=on, maintain_order="left"))
            made[name] = grid, cases, cells, limits
        return made[name]

    return get


@pytest.fixture(scope="session", params=SURVEYS)
def any_survey(request, survey):
    """Return (grid, cases, cells, limits) of each named survey in turn."""
    return survey(request.param)


@pytest.fixture(scope="session")
def drawn_texts():
    """Return a function that lists the texts that a figure shows, each with its box."""

    def texts(figure):
        figure.draw_without_rendering()
        unseen = set()
        for axes in figure.findobj(Axes):
            for axis in (axes.xaxis, axes.yaxis):
                # ticks beyond the view stay in the tree of artists without being drawn
                drawn = {id(tick) for tick in axis._update_ticks()} if axes.axison else set()
                for tick in (*axis.majorTicks, *axis.minorTicks):
                    if id(tick) not in drawn:
                        unseen |= {id(tick.label1), id(tick.label2)}
        renderer = figure.canvas.get_renderer()
        return [
            (text.get_text(), text.get_window_extent(renderer))
            for text in figure.findobj(Text)
            if id(text) not in unseen and text.get_visible() and text.get_text().strip()
        ]

    return texts


@pytest.fixture(scope="session")
def text_faults(drawn_texts):
    """Return a function that lists texts that overlap one another or leave the figure."""

    def faults(figure):
        texts = drawn_texts(figure)
        page = figure.bbox
        found = [
            f"outside: {text!r}"
            for text, box in texts
            if box.x0 < page.x0 or box.y0 < page.y0 or box.x1 > page.x1 or box.y1 > page.y1
        ]
        for (one, a), (other, b) in combinations(texts, 2):
            width = min(a.x1, b.x1) - max(a.x0, b.x0)
            height = min(a.y1, b.y1) - max(a.y0, b.y0)
            # boxes are rounded outward to whole pixels, so a shared pixel isn't an overlap
            if width > 1.0 and height > 1.0:
                found.append(f"overlap: {one!r} and {other!r}")
        return found

    return faults
