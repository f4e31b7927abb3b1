"""Compilation of loops: decorators, so that all kernels are compiled alike."""

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


def division_kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a loop as `kernel` does, but for divisions: by zero they give IEEE's infinity.

    Without the check for zero, which may leave the loop, the processor does several at once.
    """
    jitted = numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    return cast(Callable[P, R], jitted)
