"""The decorators of loops, see `bench.kernel`."""

from bench.kernel import division_kernel, kernel

__all__ = ["division_kernel", "kernel"]
