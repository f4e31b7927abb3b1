import re

import pytest

from bench.solve.estimate import Outcome
from bench.survey.columns import (
    CASE_COLUMNS,
    CELL_COLUMNS,
    COMPONENTS,
    OUTCOMES,
    TIMING_COLUMNS,
    names,
)

TABLES = {"cases": CASE_COLUMNS, "timings": TIMING_COLUMNS, "cells": CELL_COLUMNS}


@pytest.mark.parametrize("table", TABLES)
def test_every_column_is_named_once_and_explained(table):
    columns = TABLES[table]
    assert len(set(names(columns))) == len(columns)
    assert all(column.meaning for column in columns)


@pytest.mark.parametrize("table", TABLES)
def test_a_columns_unit_ends_its_name(table):
    for column in TABLES[table]:
        ending = re.search(r"_(m|mm|deg|px|ms)(_lo|_hi)?$", column.name)
        assert (ending.group(1) if ending else "") == column.unit, column.name


def test_outcomes_are_those_of_solve():
    assert set(OUTCOMES) == {str(outcome) for outcome in Outcome}


def test_cells_summarise_every_component_of_the_cases():
    assert {c.column for c in COMPONENTS} == {
        name for name in names(CASE_COLUMNS) if name.startswith("err_")
    }
    for component in COMPONENTS:
        for statistic in ("bias", "std", "rms", "median", "p95"):
            assert f"{statistic}_{component.name}_{component.unit}" in names(CELL_COLUMNS)
