"""NIST/SEMATECH e-Handbook of Statistical Methods, chapter 2: calibration.

Values of the handbook's own output; a work of the US government.
"""

import datetime as dt
import math

import numpy as np
import polars as pl
import pytest
from scipy.special import fdtrc, stdtrit

from fleetbelt.models.calibration_line import QUADRATIC, fit_line, inverse_predict
from fleetbelt.models.gauges import CALIBRATIONS, fit_gauges
from fleetbelt.models.uncertainty import (
    combined_u,
    coverage_factor,
    effective_df,
    pooled_sd,
)

LINE_WIDTH_X = "6.19 9.17 1.99 7.77 4.00 10.77 4.78 2.99 6.98 9.98 " * 4
LINE_WIDTH_Y = """6.31 9.27 2.21 8.00 4.27 10.93 4.95 3.24 7.14 10.23
    6.27 9.21 2.19 7.81 4.15 10.73 4.87 3.17 7.07 10.02
    6.31 9.34 2.22 7.95 4.15 10.92 5.00 3.21 7.18 10.07
    6.28 9.23 2.20 7.84 4.15 10.89 5.00 3.21 7.20 10.17"""
CONTROL_X = "0.76 3.29 8.89 " * 6
CONTROL_Y = """1.12 3.49 9.11  0.99 3.53 8.89  1.05 3.46 9.02
    0.76 3.75 9.30  0.96 3.53 9.05  1.03 3.52 9.02"""
LOAD_CELL = """.20024 .20016 .20024  .40056 .40045 .40054  .60087 .60075 .60086
    .80130 .80122 .80127  1.00173 1.00164 1.00173  1.20227 1.20218 1.20227
    1.40282 1.40278 1.40279  1.60344 1.60339 1.60341  1.80412 1.80409 1.80411
    2.00485 2.00481 2.00483  2.10526 2.10524 2.10524"""


def numbers(text):
    return np.array(text.split(), dtype=float)


def line_width():
    return fit_line(numbers(LINE_WIDTH_X), numbers(LINE_WIDTH_Y))


def test_the_optical_line_width_scale_has_its_line():
    """Section 2.3.6.7.3."""
    line = line_width()
    covariance = line.scaled_covariance / line.scale ** np.add.outer([0, 1], [0, 1])

    assert line.coefficients == pytest.approx([0.2357623, 0.9870377], abs=0.5e-7)
    assert line.standard_errors == pytest.approx([0.02430034, 0.00344058], abs=0.5e-8)
    assert covariance.ravel() == pytest.approx(
        [5.905067e-4, -7.649453e-5, -7.649453e-5, 1.183759e-5], rel=1e-6
    )
    assert line.sd == pytest.approx(0.06203, abs=0.5e-5)
    assert line.df == 38


@pytest.mark.parametrize(("x", "u"), [(2, 0.065501), (6, 0.063648), (10, 0.064812)])
def test_a_calibrated_line_width_has_the_propagated_uncertainty(x, u):
    """The handbook's formula with its covariance term; numbers computed."""
    line = line_width()

    found = inverse_predict(line, float(line.coefficients @ [1, x]))

    assert found.x == pytest.approx(x)
    assert found.u == pytest.approx(u, abs=0.5e-6)


def test_only_the_fourth_days_checks_are_out_of_control():
    """Section 2.3.7.1; the check readings from memory, they give the printed sd."""
    line, x, y = line_width(), numbers(CONTROL_X), numbers(CONTROL_Y)
    t = stdtrit(line.df, 1 - (1 - 0.95 ** (1 / 3)) / 2)
    limit = t * line.sd / line.coefficients[1]

    w = np.array([inverse_predict(line, value).x for value in y]) - x
    rounded = (y - 0.2357) / 0.9870 - x  # with the line as the handbook rounds it

    assert t == pytest.approx(2.497575, abs=0.5e-6)
    assert limit == pytest.approx(0.156965, abs=2e-6)  # s and slope printed short
    assert rounded.std(ddof=1) == pytest.approx(0.1193572, abs=0.5e-7)
    assert w == pytest.approx(rounded, abs=5e-4)
    assert np.flatnonzero(np.abs(w) > limit).tolist() == [9, 10, 11]
    assert w[9:12] == pytest.approx([-0.2288, 0.2706, 0.2937], abs=5e-4)


def test_a_load_cell_has_its_quadratic():
    """Section 2.3.6.5; the handbook prints another file's fit, these are exact."""
    x = np.repeat([2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 21], 3)

    line = fit_line(x, numbers(LOAD_CELL), powers=QUADRATIC)

    assert line.coefficients == pytest.approx(
        [-1.83980467e-5, 0.100102485397, 7.03186511e-6], rel=1e-8
    )
    assert line.standard_errors == pytest.approx(
        [2.4507e-5, 4.8387e-6, 2.0136e-7], rel=1e-4
    )
    assert line.sd == pytest.approx(3.764029420e-5, rel=1e-9)
    assert line.p_lack_of_fit == pytest.approx(fdtrc(8, 22, 0.347667), abs=1e-6)
    assert inverse_predict(line, 1.344).x == pytest.approx(13.413784, abs=0.5e-6)


def test_a_resistivity_probe_has_its_pooled_deviations_and_uncertainty():
    """Section 2.6.1, probe 2362, from the deviations that the handbook prints."""
    repeat = pooled_sd([0.06751, 0.07786], [150, 150])
    days = pooled_sd([0.03334, 0.03879], [25, 25])
    parts = [math.sqrt(5 / 6) * days, 0.0196, 0.0162 / math.sqrt(10)]

    u = combined_u(parts)
    df = effective_df(parts, [50, 5, math.inf])

    assert repeat == pytest.approx(0.07287, abs=0.5e-5)
    assert days == pytest.approx(0.03617, abs=0.5e-5)
    assert u == pytest.approx(0.03875842, abs=3e-5)  # 0.0196 is printed short
    assert math.floor(df) == 42
    assert coverage_factor(df) * u == pytest.approx(0.0782, abs=0.5e-4)


@pytest.mark.parametrize(
    ("sds", "df", "pooled"),
    [((0.06751, 0.07786), 150, 0.07287), ((0.03334, 0.03879), 25, 0.03617)],
)
def test_a_gauges_repeatability_is_pooled_over_its_spans_as_the_probes(sds, df, pooled):
    """Section 2.6.1 again: readings of two spans that have the printed deviations."""
    pattern = np.linspace(-1, 1, df + 1)
    readings = [
        ("P", dt.date(2024, 1, 8), span_mm, 100.0, 100 * math.exp(log_ratio), None)
        for span_mm, sd in zip((150.0, 300.0), sds, strict=True)
        for log_ratio in sd * pattern / pattern.std(ddof=1)
    ]

    fit = fit_gauges(pl.DataFrame(readings, schema=CALIBRATIONS, orient="row"))

    assert fit.curves["repeatability"].to_list() == pytest.approx(
        [pooled] * 2, abs=0.5e-5
    )
    assert fit.curves["df"].to_list() == [2 * df] * 2
