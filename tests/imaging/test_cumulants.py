"""Derivatives of blurred pictures, against closed forms and a spot that isn't round."""

import numpy as np
from numpy.testing import assert_allclose
from scipy.special import ndtr

from bench.imaging.chords import Chords
from bench.imaging.cumulants import blurred_derivatives
from bench.imaging.picture import Region

SIGMA = 0.7
REGION = Region(0, 0, 14, 12)
PLACES = np.arange(12 * 14).reshape(12, 14)
LEFT, RIGHT, TOP, BOTTOM = 3.3, 9.1, 2.6, 8.2


def rectangle():
    """A bright rectangle on black: clockwise as seen, bright on the left of each chord."""
    corners = np.array([[LEFT, TOP], [LEFT, BOTTOM], [RIGHT, BOTTOM], [RIGHT, TOP]])
    return Chords(np.hstack((corners, np.roll(corners, -1, axis=0))), np.ones(4))


def profile(places, first, last):
    """A box of light through a Gaussian and a pixel's box, and its first three derivatives."""

    def step(order, x):
        z = x / SIGMA
        density = np.exp(-0.5 * z * z) / (SIGMA * np.sqrt(2.0 * np.pi))
        # the integral of the Gaussian's distribution function, and what follows from it
        forms = (
            x * ndtr(z) + SIGMA**2 * density,
            ndtr(z),
            density,
            -x / SIGMA**2 * density,
        )
        return forms[order]

    def over_pixel(order, x):
        return step(order, x + 0.5) - step(order, x - 0.5)

    return [over_pixel(k, places - first) - over_pixel(k, places - last) for k in range(4)]


def test_a_rectangle_s_derivatives_are_products_of_closed_forms():
    u, v = profile(np.arange(14.0), LEFT, RIGHT), profile(np.arange(12.0), TOP, BOTTOM)

    def both(across, down):
        return np.outer(v[down], u[across]).ravel()

    found = blurred_derivatives(rectangle(), SIGMA, REGION, PLACES)
    sign = np.sign(found[:, 1] @ both(1, 1))  # which way round boundaries run
    expected = np.column_stack(
        (
            0.5 * (both(2, 0) - both(0, 2)),
            both(1, 1),
            both(3, 0),
            both(2, 1),
            both(1, 2),
            both(0, 3),
        )
    )
    # as the sensitivity's, 1e-3 of the largest; a third derivative's tables are read between
    # phases of σ/48, h''''/8 of whose square is 1 % of the largest of h''
    for column, right in zip(found.T, expected.T, strict=True):
        assert_allclose(sign * column, right, atol=0.01 * np.max(np.abs(right)))


def test_pixels_that_do_not_count_are_left_out():
    some = PLACES.copy()
    some[:, 7:] = -1
    some[some >= 0] = np.arange(np.count_nonzero(some >= 0))
    found = blurred_derivatives(rectangle(), SIGMA, REGION, some)
    every = blurred_derivatives(rectangle(), SIGMA, REGION, PLACES)
    assert_allclose(found, every[PLACES[:, :7].ravel()])
