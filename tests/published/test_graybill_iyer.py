"""Graybill and Iyer (1994), *Regression Analysis*, pp. 431-433: calibration.

Data and answers as the public tests of an inverse-estimation package quote them.
"""

import math

import numpy as np
import pytest

from fleetbelt.models.calibration_line import fit_line, inverse_predict

THERMOSTAT = fit_line(
    np.arange(96, 111, 2), [95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21]
)
CHAMBER = fit_line(
    np.arange(0, 101, 10),
    [
        *(206.36, 225.52, 252.18, 289.33, 318.11, 349.49),
        *(383.03, 410.70, 444.40, 469.14, 501.16),
    ],
)


@pytest.mark.parametrize(
    ("line", "y", "how", "printed", "computed"),
    [
        (
            THERMOSTAT,
            104.0,
            {},
            pytest.approx((103.995, 103.4, 104.6), abs=0.02),
            (103.994916, 103.404051, 104.589459),
        ),
        (
            THERMOSTAT,
            100.0,
            {"confidence": 0.90},
            pytest.approx((100.1, 99.63, 100.59), abs=0.02),
            (100.112318, 99.629403, 100.588503),
        ),
        (
            CHAMBER,
            400.0,
            {"confidence": 0.99, "n_readings": math.inf},
            pytest.approx((66.5, 65.07, 68.03), abs=0.03),
            (66.520043, 65.070894, 68.025832),
        ),
    ],
)
def test_the_x_behind_a_reading_and_its_limits(line, y, how, printed, computed):
    found = inverse_predict(line, y, **how)

    assert (found.x, found.x_lo, found.x_hi) == printed
    assert (found.x, found.x_lo, found.x_hi) == pytest.approx(computed, abs=1e-6)
