"""JCGM 100:2008, *Guide to the expression of uncertainty in measurement*, annex H.

H.1 and H.3 as a national laboratory's public documentation reproduces them; the 93 nm
of H.1 and all of H.5 from memory.
"""

import math

import numpy as np
import pytest
from scipy.special import fdtri

from fleetbelt.models.calibration_line import fit_line, predict
from fleetbelt.models.gauge_study import variance_components
from fleetbelt.models.uncertainty import (
    combined_u,
    coverage_factor,
    effective_df,
    pooled_sd,
)

GAUGE_NM = 50_000_623.0
RECTANGLE = 1 / math.sqrt(3)
INPUTS = {  # contribution in nm, degrees of freedom
    "standard": (25.0, 18),
    "repeats": (5.8, 24),
    "comparator, random": (3.9, 5),
    "comparator, systematic": (6.7, 8),
    "difference in expansion": (GAUGE_NM * 0.1 * 1e-6 * RECTANGLE, 50),
    "difference in temperature": (GAUGE_NM * 11.5e-6 * 0.05 * RECTANGLE, 2),
}


def test_h1_the_end_gauge_has_a_combined_uncertainty_of_32_nm():
    u, _ = zip(*INPUTS.values(), strict=True)

    assert GAUGE_NM + 215 == 50_000_838
    assert u[4:] == pytest.approx((2.9, 16.6), abs=0.05)
    assert combined_u(u) == pytest.approx(31.664, abs=0.5e-3)


def test_h1_second_order_terms_raise_it_to_34_nm():
    u, _ = zip(*INPUTS.values(), strict=True)
    u_temperature, u_expansion = 0.41, 1.2e-6
    products = [
        GAUGE_NM * 1e-6 * RECTANGLE * u_temperature,
        GAUGE_NM * u_expansion * 0.05 * RECTANGLE,
    ]

    assert combined_u([*u, *products]) == pytest.approx(34, abs=0.5)


def test_h1_sixteen_degrees_of_freedom_cover_99_per_cent_with_93_nm():
    u, df = zip(*INPUTS.values(), strict=True)

    found = effective_df(u, df)

    assert found == pytest.approx(16.75, abs=0.05)
    assert coverage_factor(found) == pytest.approx(2.1199, abs=0.5e-4)
    assert coverage_factor(found, confidence=0.99) == pytest.approx(2.9208, abs=0.5e-4)
    assert combined_u(u) * coverage_factor(found, confidence=0.99) == pytest.approx(
        93, abs=0.93
    )


def test_h3_the_thermometers_line_gives_its_correction_at_30_degrees():
    t = "21.521 22.012 22.512 23.003 23.507 23.999 24.513 25.002 25.503 26.010 26.511"
    b = "-.171 -.169 -.166 -.159 -.164 -.165 -.156 -.157 -.159 -.161 -.160"
    t_c, b_c = (np.array(text.split(), dtype=float) for text in (t, b))

    line = fit_line(t_c - 20, b_c)
    at_30, u_30 = predict(line, 10.0)
    covariance = line.scaled_covariance

    assert line.coefficients == pytest.approx([-0.1712, 0.00218], abs=0.5e-4)
    assert line.standard_errors == pytest.approx([0.0029, 0.00067], abs=0.5e-4)
    assert covariance[0, 1] / math.sqrt(
        covariance[0, 0] * covariance[1, 1]
    ) == pytest.approx(-0.930, abs=0.5e-3)
    assert line.sd == pytest.approx(0.0035, abs=0.5e-4)
    assert line.sd**2 * line.df == pytest.approx(1.10096583e-4, rel=1e-7)
    assert at_30 == pytest.approx(-0.1494, abs=0.5e-4)
    assert u_30 == pytest.approx(0.0041, abs=0.5e-4)


def test_h5_the_voltage_standard_varies_from_day_to_day():
    """Five readings a day with the printed mean and sd, in microvolts over 10 V."""
    mean = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41], dtype=float)
    sd = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], dtype=float)
    pattern = np.array([-2, -1, 0, 1, 2]) / math.sqrt(2.5)
    y = mean[:, None] + sd[:, None] * pattern

    found = variance_components(y.ravel(), part=np.repeat(np.arange(10), 5))
    between = 5 * found.part + found.repeatability

    assert y.mean() == pytest.approx(97.1)
    assert pooled_sd(sd, np.full(10, 4)) == pytest.approx(84.89, abs=0.5e-2)
    assert math.sqrt(found.repeatability) == pytest.approx(84.89, abs=0.5e-2)
    assert math.sqrt(between) == pytest.approx(127.66, abs=0.5e-2)
    assert math.sqrt(found.part) == pytest.approx(42.64, abs=0.5e-2)
    assert math.sqrt(between / 50) == pytest.approx(18.05, abs=0.5e-2)
    assert between / found.repeatability == pytest.approx(2.2615, abs=0.5e-4)
    assert fdtri(9, 40, 0.95) < between / found.repeatability < fdtri(9, 40, 0.975)
