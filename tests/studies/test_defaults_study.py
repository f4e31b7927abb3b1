"""The study that the default pipelines rest on."""

import polars as pl
import pytest

from bench.solve.default_pipeline import default_pipeline
from bench.targets.spec import target_from_spec
from reports.photometric.defaults import TARGETS, pipelines_for, report, run_case


@pytest.mark.parametrize("kind", TARGETS)
def test_the_default_is_among_the_pipelines_that_are_compared(kind):
    names = pipelines_for(kind)
    assert default_pipeline(target_from_spec(TARGETS[kind])) in names
    assert len(names) == len(set(names)) >= 2


def test_a_case_repeats_and_the_page_names_the_default():
    rows = run_case(1, "circle grid", 4)
    assert rows == run_case(1, "circle grid", 4)
    assert [row["pipeline"] for row in rows] == pipelines_for("circle grid")
    text = report(pl.DataFrame(rows, infer_schema_length=None), 1, 1, "now")
    assert "**circles/photometric** (default)" in text
    assert "--n 1 --seed 1" in text
