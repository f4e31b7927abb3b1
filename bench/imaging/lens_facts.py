"""Capabilities of a lens in its data sheet's terms: field, depth of field, diffraction.

A thin lens throughout, as `bench.imaging.optics` has it: distances run from the lens, and
pupils are of one size. Sources: S. F. Ray, Applied Photographic Optics, 3rd edition, chapters on
depth of field and on angle of view; W. J. Smith, Modern Optical Engineering, on the diffraction
limit. From memory.
"""

from __future__ import annotations

import math

AIRY = 2.0 * 1.2196698912665045  # first zero of J1 at 3.8317 = 1.21967 pi


def hyperfocal_distance(focal: float, f_number: float, blur: float) -> float:
    """Return the nearest focus, metres, at which what is far away is still sharp.

    f² / (N c) + f, for blur circles of diameter c on the sensor, metres.
    """
    return focal * focal / (f_number * blur) + focal


def depth_of_field(
    focus: float, focal: float, f_number: float, blur: float
) -> tuple[float, float]:
    """Return the nearest and the farthest distance, metres, that are sharp.

    s f² / (f² + N c (s - f)) and s f² / (f² - N c (s - f)), s the focus distance; the second is
    infinite from the hyperfocal distance on.

    Parameters
    ----------
    focus : float
        Distance at which the lens is focused, metres; above the focal length.
    focal, f_number : float
        Focal length, metres, and focal length over aperture.
    blur : float
        Largest diameter of a blur circle that counts as sharp, metres on the sensor.
    """
    square, spread = focal * focal, f_number * blur * (focus - focal)
    near = focus * square / (square + spread)
    # a rounding's worth short of infinity is infinity
    far = focus * square / (square - spread) if spread < square * (1.0 - 1e-12) else math.inf
    return near, far


def focus_for(near: float, far: float) -> float:
    """Return the focus distance at which two distances are equally sharp, metres.

    Their harmonic mean: the blur is in proportion to |1/z - 1/s|.
    """
    return 2.0 / (1.0 / near + 1.0 / far)


def f_number_for(near: float, far: float, focal: float, blur: float) -> float:
    """Return the least f-number that keeps two distances sharp, focused by `focus_for`.

    By `depth_of_field`: c at `near` is f² (s - near) / (N near (s - f)). Metres.
    """
    focus = focus_for(near, far)
    return focal * focal * (focus - near) / (blur * near * (focus - focal))


def airy_diameter(wavelength: float, f_number: float) -> float:
    """Return the diameter of the Airy disc, to its first dark ring, metres: 2.44 λ N."""
    return AIRY * wavelength * f_number


def cutoff_frequency(wavelength: float, f_number: float) -> float:
    """Return the spatial frequency above which a perfect lens passes nothing, cycles per metre.

    1 / (λ N).
    """
    return 1.0 / (wavelength * f_number)
