"""sightbench: a test bench for fiducial targets seen from fixed camera towers."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("sightbench")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0+unknown"

__all__ = ["__version__"]
