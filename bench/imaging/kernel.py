"""Compilation of loops: one decorator, so that every kernel is compiled alike."""

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a loop with numba: strict IEEE arithmetic, one thread, kept on disk.

    No fast-math and no parallel loops, so that the same input gives the same bits whatever
    the number of workers. A kernel may only call kernels of its own file: numba's disk cache
    doesn't notice a change in another one.
    """
    return cast(Callable[P, R], numba.njit(cache=True, nogil=True)(function))
