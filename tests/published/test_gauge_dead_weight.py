"""A finger gauge read at two spans under a known load of 185 lbf.

Common practice, no source: 185 lbf read as 167.5 lbf on a 7 in span and as 182 lbf on a
12 in span.
"""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from fleetbelt.bench.target import force_scale
from fleetbelt.models.gauges import CALIBRATIONS, USES, corrections, fit_gauges
from fleetbelt.models.uncertainty import combined_u, resolution_u
from fleetbelt.units import MM_PER_INCH, NEWTONS_PER

LBF = NEWTONS_PER["lbf"]
FIT = fit_gauges(
    pl.DataFrame(
        [
            ("A", dt.date(2024, 1, 8), span * MM_PER_INCH, 185 * LBF, read * LBF, None)
            for span, read in ((7, 167.5), (12, 182.0))
        ],
        schema=CALIBRATIONS,
        orient="row",
    )
)


def correction(span_in):
    uses = pl.DataFrame(
        [("shop", "A", span_in * MM_PER_INCH)], schema=USES, orient="row"
    )
    return corrections(FIT, uses).row(0, named=True)


@pytest.mark.parametrize(
    ("span_in", "error", "factor"),
    [(7, -0.094595, 1.1044776), (12, -0.016216, 1.0164835)],
)
def test_the_two_calibrated_spans_have_their_own_factor(span_in, error, factor):
    found = correction(span_in)

    assert found["correction"] == pytest.approx(factor, abs=1e-6)
    assert 1 / found["correction"] - 1 == pytest.approx(error, abs=1e-6)
    assert found["correction_source"] == "calibrated"


def test_adding_ten_per_cent_is_short_of_the_factor_by_0_4_per_cent():
    assert correction(7)["correction"] / 1.10 - 1 == pytest.approx(0.004, abs=0.5e-3)


def test_nine_inches_lie_between_with_a_doubt_about_the_law_beside_the_knots_own():
    """1.0566; standard uncertainty 0.0064 of the law, and the knots' own."""
    found = correction(9)
    weight = (1 / 9 - 1 / 12) / (1 / 7 - 1 / 12)
    knots = 0.01 * np.hypot(weight, 1 - weight)  # 1 % from the settings: no repeats

    assert found["correction_source"] == "between_spans"
    assert found["correction"] == pytest.approx(1.0566, abs=0.5e-4)
    assert np.sqrt(found["u_corr"] ** 2 - knots**2) == pytest.approx(0.0064, abs=0.5e-4)


@pytest.mark.parametrize("span_in", [6, 6.9, 12.1])
def test_no_firm_factor_is_given_outside_the_calibrated_spans(span_in):
    found = correction(span_in)
    nearest = correction(7 if span_in < 7 else 12)

    assert found["correction_source"] == "beyond_spans"
    assert found["correction"] == nearest["correction"]
    assert found["u_corr"] == pytest.approx(
        np.hypot(nearest["log_correction"], nearest["u_corr"])
    )


def test_a_reading_of_150_lbf_on_7_inches_was_165_67_lbf():
    assert 150 * correction(7)["correction"] == pytest.approx(165.6716, abs=1e-4)


def test_its_uncertainty_joins_that_of_the_reading_and_of_the_calibration():
    """With 2 lbf in the reading and 1 lbf in the calibration reading."""
    factor = correction(7)["correction"]

    u_factor = combined_u([1.0], [factor / 167.5])
    u_tension = combined_u([2.0, u_factor], [factor, 150.0])

    assert u_factor == pytest.approx(0.006594, abs=0.5e-6)
    assert u_tension == pytest.approx(2.4203, abs=0.5e-4)


def test_the_bench_gives_that_reading_the_same_uncertainty():
    scale = force_scale(
        "lbf",
        correction=correction(7)["correction"],
        correction_source="calibrated",
        u_corr=1 / 167.5,
        reading_sd=2 / 150,
    )

    tension_n = scale.tension_n(150)
    assert tension_n / LBF == pytest.approx(165.6716, abs=0.5e-4)
    assert scale.u() * tension_n / LBF == pytest.approx(2.4203, abs=0.5e-4)


def test_a_graduation_of_2_5_lbf_is_an_uncertainty_of_0_72_lbf():
    assert resolution_u(2.5) == pytest.approx(0.72169, abs=0.5e-5)
