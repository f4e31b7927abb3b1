"""JCGM 100:2008 (GUM), examples H.2 and H.3, through the functions that poses use.

Input data: tables H.2 and H.6, as copied into several open-source uncertainty packages (the
data of H.3 and its rounded results stand in the documentation of GTC, of the Measurement
Standards Laboratory of New Zealand). Results: tables H.3 and H.4 and section H.3.3 to H.3.4,
from memory.
"""

import numpy as np
import pytest

from bench.solve.covariance import (
    correlation,
    least_squares_covariance,
    propagate,
)

# H.2: five simultaneous readings of voltage (V), current (A) and phase (rad)
READINGS = np.column_stack(
    (
        [5.007, 4.994, 5.005, 4.990, 4.999],
        np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3,
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    )
)
# Type A, of the mean of five readings (4.2.3 and 5.2.3, equation 17)
COVARIANCE_OF_MEAN = np.cov(READINGS, rowvar=False) / len(READINGS)
# H.3: thermometer readings, and the corrections observed, degrees Celsius
T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
B = -1e-3 * np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160])


def test_h2_means_and_their_covariance() -> None:
    covariance = COVARIANCE_OF_MEAN
    sigma, r = np.sqrt(np.diag(covariance)), correlation(covariance)
    # half a unit of the last printed digit
    assert READINGS.mean(axis=0) == pytest.approx([4.9990, 19.6610e-3, 1.04446], rel=1e-5)
    assert sigma[0] == pytest.approx(0.0032, abs=0.00005)
    assert sigma[1] == pytest.approx(0.0095e-3, abs=0.00005e-3)
    assert sigma[2] == pytest.approx(0.00075, abs=0.000005)
    assert r[0, 1] == pytest.approx(-0.36, abs=0.005)
    assert r[0, 2] == pytest.approx(0.86, abs=0.005)
    assert r[1, 2] == pytest.approx(-0.65, abs=0.005)


def test_h2_resistance_reactance_and_impedance() -> None:
    v, i, phase = READINGS.mean(axis=0)
    resistance, reactance, impedance = v / i * np.cos(phase), v / i * np.sin(phase), v / i
    jacobian = np.array(
        [
            [resistance / v, -resistance / i, -reactance],
            [reactance / v, -reactance / i, resistance],
            [impedance / v, -impedance / i, 0.0],
        ]
    )
    covariance = propagate(jacobian, COVARIANCE_OF_MEAN)
    sigma, r = np.sqrt(np.diag(covariance)), correlation(covariance)
    assert resistance == pytest.approx(127.732, abs=0.0005)
    assert reactance == pytest.approx(219.847, abs=0.0005)
    assert impedance == pytest.approx(254.260, abs=0.0005)
    # one unit of the last digit: the guide went on from correlations rounded to two digits
    assert sigma == pytest.approx([0.071, 0.295, 0.236], abs=0.001)
    assert r[0, 1] == pytest.approx(-0.588, abs=0.001)
    assert r[0, 2] == pytest.approx(-0.485, abs=0.001)
    assert r[1, 2] == pytest.approx(0.993, abs=0.001)


def test_h3_thermometer_line_and_correction_at_thirty_degrees() -> None:
    design = np.column_stack((np.ones_like(T), T - 20.0))
    estimate, (sse,), _, _ = np.linalg.lstsq(design, B, rcond=None)
    s = np.sqrt(sse / (len(T) - 2))
    covariance = least_squares_covariance(design, s)
    sigma = np.sqrt(np.diag(covariance))
    # half a unit of the last printed digit, throughout
    assert s == pytest.approx(0.0035, abs=0.00005)
    assert estimate[0] == pytest.approx(-0.1712, abs=0.00005)
    assert estimate[1] == pytest.approx(0.00218, abs=0.000005)
    assert sigma[0] == pytest.approx(0.0029, abs=0.00005)
    assert sigma[1] == pytest.approx(0.00067, abs=0.000005)
    assert correlation(covariance)[0, 1] == pytest.approx(-0.930, abs=0.0005)
    at_thirty = np.array([[1.0, 10.0]])
    assert (at_thirty @ estimate)[0] == pytest.approx(-0.1494, abs=0.00005)
    u = np.sqrt(propagate(at_thirty, covariance)[0, 0])
    assert u == pytest.approx(0.0041, abs=0.00005)
