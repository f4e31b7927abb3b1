"""Errors that a user can act on.

Every error derived from `BenchError` carries a one-line message that names what was wrong,
where, and what would have been accepted; the command line prints that line and exits with
code 2. Anything else that escapes is a defect of the bench.

A missed, wrong or ambiguous detection is never an error: it is an outcome, kept as data.
"""


class BenchError(Exception):
    """Base of all errors caused by input that the bench can't work with."""


class ConfigError(BenchError):
    """A configuration file, option or quantity is malformed or out of its limits."""


class GeometryError(BenchError):
    """A point, pose or ray has no image: behind the camera, outside the lens model's domain."""


class TargetError(BenchError):
    """A target design contradicts itself: larger than its plate, id outside its dictionary."""


class PictureError(BenchError):
    """A picture can't be read, or doesn't belong to the camera it was given with."""


class RunError(BenchError):
    """A run directory can't be written, read or resumed with the given plan."""


class PlugInError(BenchError):
    """A detector or solver plug-in is unknown or breaks its contract."""


class RenderError(BenchError):
    """The bay can't be drawn in three dimensions: no OpenGL works without a display here."""
