"""One check for all parameters of the image model."""

import math

from bench.errors import ConfigError


def check_between(key: str, value: float, low: float, high: float, unit: str = "") -> None:
    """Raise unless `value` is a number from `low` to `high`.

    Raises
    ------
    ConfigError
        Naming key, value and limits.
    """
    if not (math.isfinite(value) and low <= value <= high):
        suffix = f" {unit}" if unit else ""
        raise ConfigError(f"{key} must lie from {low:g} to {high:g}{suffix}, got {value:g}")
