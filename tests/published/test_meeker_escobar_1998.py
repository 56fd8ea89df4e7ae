"""Meeker, W. Q. and Escobar, L. A. (1998), *Statistical Methods for Reliability Data*.

Shock absorbers: table C.2, first in O'Connor, *Practical Reliability Engineering*, 2nd
ed. (1985), p. 85; 38 vehicles, kilometres, 11 failures. Results of chapter 8: values
from memory, in the digits the book prints; more digits are recomputed by several
independent programs. Repairs of three systems: section 16.2, value from memory.
"""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="union-attr"

from fractions import Fraction

import numpy as np
import pytest

from fleetbelt.models.life import (
    failure_probability,
    fit_weibull,
    life_quantile_mi,
    mean_residual_mi,
    median_residual_mi,
)
from fleetbelt.models.life_curve import kaplan_meier
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.recurrent import mean_cumulative

SHOCK_ABSORBERS = """
6700F 6950 7820 8790 9120F 9660 9820 11310 11690 11850 11880 12140 12200F 12870 13150F
13330 13470 14040 14300F 17520F 17540 17890 18450 18960 18980 19410 20100F 20100 20150
20320 20900F 22700F 23490 26510F 27410 27490F 27890 28100
"""

KAPLAN_MEIER = [  # km, at risk, survival, standard error
    (6700, 38, 0.973684, 0.025967),
    (9120, 34, 0.945046, 0.037831),
    (12200, 26, 0.908698, 0.050927),
    (13150, 24, 0.870836, 0.061285),
    (14300, 20, 0.827294, 0.072047),
    (17520, 19, 0.783752, 0.080342),
    (20100, 12, 0.718440, 0.096613),
    (20900, 8, 0.628635, 0.119177),
    (22700, 7, 0.538830, 0.131711),
    (26510, 5, 0.431064, 0.142806),
    (27490, 3, 0.287376, 0.151089),
]


@pytest.fixture(scope="module")
def lives():
    """The lives in km; the models do not mind the unit."""
    texts = SHOCK_ABSORBERS.split()
    km = [float(text.removesuffix("F")) for text in texts]
    return Lives.right_censored(km, [text.endswith("F") for text in texts])


@pytest.fixture(scope="module")
def fit(lives):
    return fit_weibull(lives)


def test_the_weibull_of_shock_absorbers_has_the_printed_parameters(fit):
    mu, sigma = np.log(fit.scale_mi.value), 1 / fit.shape.value
    var_a, _, var_mu = fit.log_covariance

    assert mu == pytest.approx(10.23, abs=0.005)
    assert sigma == pytest.approx(0.3164, abs=0.5e-4)
    assert np.sqrt(var_mu) == pytest.approx(0.1099, abs=0.5e-4)
    assert sigma * np.sqrt(var_a) == pytest.approx(0.07317, abs=0.5e-5)
    assert fit.log_likelihood == pytest.approx(-124.0, abs=0.05)


def test_the_weibull_of_shock_absorbers_has_the_recomputed_digits(fit):
    assert fit.shape.value == pytest.approx(3.160470314535, rel=1e-8)
    assert fit.scale_mi.value == pytest.approx(27718.718128515, rel=1e-8)
    assert fit.log_likelihood == pytest.approx(-123.995361189, rel=1e-10)


def test_the_intervals_of_shock_absorbers_are_those_of_the_log_scale(fit):
    """Not 1.73 to 4.59, which is linear in the shape."""
    assert (fit.shape.lo, fit.shape.hi) == pytest.approx((2.0087, 4.9726), abs=0.5e-4)
    limits = (fit.scale_mi.lo, fit.scale_mi.hi)
    assert limits == pytest.approx((22347.77, 34380.49), abs=0.005)


@pytest.mark.parametrize(
    ("mode", "shape", "scale_km"),
    [
        ({6700, 12200, 14300, 17520, 22700, 26510, 27490}, 3.383946, 31205.798),
        ({9120, 13150, 20100, 20900}, 2.822211, 40865.861),
    ],
)
def test_each_mode_of_failure_has_its_own_weibull(lives, mode, shape, scale_km):
    """The other mode's failures are censored; recomputed, not printed."""
    is_failure = (lives.end == End.EXACT) & np.isin(lives.lower_mi, list(mode))
    fit = fit_weibull(Lives.right_censored(lives.lower_mi, is_failure))

    assert fit.failures == len(mode)
    assert fit.shape.value == pytest.approx(shape, abs=0.5e-6)
    assert fit.scale_mi.value == pytest.approx(scale_km, abs=0.5e-3)


@pytest.mark.parametrize(
    ("fraction", "km"),
    [(0.01, 6466.1517), (0.05, 10829.9192), (0.10, 13600.0347), (0.50, 24683.6255)],
)
def test_the_life_quantiles_of_shock_absorbers(fit, fraction, km):
    assert life_quantile_mi(fit, fraction).value == pytest.approx(km, abs=1e-3)


def test_b10_and_median_are_the_quantiles_of_the_fit(fit):
    assert fit.b10_mi.value == pytest.approx(13600.0347, abs=1e-3)
    assert fit.median_mi.value == pytest.approx(24683.6255, abs=1e-3)
    assert fit.b10_mi.lo == pytest.approx(life_quantile_mi(fit, 0.1).lo, rel=1e-12)


@pytest.mark.parametrize(
    ("age_km", "median_km", "mean_km", "chance"),
    [
        (20_000, 8146.7156, 9091.0798, 0.694096),
        (10_000, 15124.2900, 15512.5835, 0.901466),
    ],
)
def test_the_remaining_life_of_shock_absorbers(fit, age_km, median_km, mean_km, chance):
    weibull = {"shape": fit.shape.value, "scale_mi": fit.scale_mi.value}

    assert median_residual_mi(age_km, **weibull) == pytest.approx(median_km, abs=1e-3)
    assert mean_residual_mi(age_km, **weibull) == pytest.approx(mean_km, abs=1e-3)
    survives = 1 - failure_probability(age_km, 5_000, **weibull)
    assert survives == pytest.approx(chance, abs=0.5e-6)


def test_the_kaplan_meier_table_of_shock_absorbers(lives):
    """At 20,100 km a failure and a censoring tie: the censored unit is at risk."""
    curve = kaplan_meier(lives)

    *failures, last = zip(
        curve.miles, curve.at_risk, curve.survival, curve.standard_error, strict=True
    )
    assert np.array(failures) == pytest.approx(np.array(KAPLAN_MEIER), abs=0.5e-6)
    assert last[:2] == (28100, 1)
    assert last[2] == failures[-1][2]


def test_the_mean_cumulative_function_of_three_systems_has_exact_fractions():
    """Ends 12, 16, 20; repairs 5, 8 | none | 1, 8, 16. At 16 two are at risk."""
    curve = mean_cumulative([12, 16, 20], [0, 0, 2, 2, 2], [5, 8, 1, 8, 16])

    mean = [Fraction(1, 3), Fraction(2, 3), Fraction(4, 3), Fraction(11, 6)]
    variance = [Fraction(6, 81), Fraction(6, 81), Fraction(24, 81), Fraction(163, 216)]
    assert list(curve.miles) == [1, 5, 8, 16, 20]
    assert list(curve.at_risk) == [3, 3, 3, 2, 1]
    assert curve.mean[:4] == pytest.approx([float(x) for x in mean], rel=1e-14)
    squares = curve.standard_error[:4] ** 2
    assert squares == pytest.approx([float(x) for x in variance], rel=1e-12)
