"""pytest plug-in: hold a pose pipeline to a tolerance inside anybody's own test suite.

pytest loads this module in every run of an environment that has the bench, so it imports
nothing heavy, adds no option and changes nothing; `bench.verify.pytest_bench` does the work.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from bench.verify.pytest_bench import PosePipelineBench, Result


@pytest.fixture
def pose_pipeline_bench() -> Iterator[PosePipelineBench]:
    """Bench for pose pipelines: `check`, and `external` commands that end with the test."""
    from bench.verify.pytest_bench import PosePipelineBench

    with PosePipelineBench() as bench:
        yield bench


def assert_pose_pipeline(pipeline: Any, **options: Any) -> Result:
    """Fail the test unless a pipeline holds a tolerance; see `bench.verify.pytest_bench.measure`.

    Parameters
    ----------
    pipeline : str or pipeline
        "detector/solver", or an object with `run(observation)`.
    **options
        As `bench.verify.pytest_bench.measure` takes them: `within_deg`, the largest angle of a
        picture's rotation error, `success`, the rate of pictures usable and within it, and so on.

    Raises
    ------
    AssertionError
        The tolerance doesn't hold, or too few pictures were taken to say that it does.
    """
    __tracebackhide__ = True
    from bench.verify.pytest_bench import PosePipelineBench

    return PosePipelineBench().check(pipeline, **options)
