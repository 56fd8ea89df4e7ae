"""NIST/SEMATECH e-Handbook of Statistical Methods (NIST Handbook 151), chapter 8."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="index, union-attr"

import pytest

from fleetbelt.models.life import fit_weibull
from fleetbelt.models.life_curve import kaplan_meier
from fleetbelt.models.lives import Lives
from fleetbelt.models.rates import garwood

TYPE_I_HOURS = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]  # ten more survive 500


def test_the_type_i_censored_weibull_of_section_8_4_1_3():
    """Some copies print the first failure as 55, which gives 1.7256 and 606.0."""
    lives = Lives.right_censored(TYPE_I_HOURS + [500] * 10, [1] * 10 + [0] * 10)

    fit = fit_weibull(lives)

    assert fit.shape.value == pytest.approx(1.7207, abs=1e-3)
    assert fit.shape.value == pytest.approx(1.7207973, rel=1e-7)  # recomputed
    assert fit.scale_mi.value == pytest.approx(606.5280, abs=1e-3)
    assert fit.log_likelihood == pytest.approx(-75.134618, abs=1e-6)
    covariance = fit.log_covariance
    assert covariance[0] ** 0.5 * fit.shape.value == pytest.approx(0.502151, abs=1e-5)
    assert covariance[2] ** 0.5 * fit.scale_mi.value == pytest.approx(
        124.9107, abs=1e-3
    )


def test_the_kaplan_meier_estimate_of_section_8_2_1_5():
    """Twenty units: six failures, four removed on the way, ten at 200 hours."""
    failed, removed = [10, 32, 56, 98, 122, 181], [50, 100, 125, 150] + [200] * 10
    lives = Lives.right_censored(failed + removed, [1] * 6 + [0] * 14)

    curve = kaplan_meier(lives)

    expected = [0.95, 0.90, 0.847059, 0.794118, 0.737395, 0.670359]
    assert curve.survival[:6] == pytest.approx(expected, abs=0.5e-6)
    assert curve.miles[-1] == 200


@pytest.mark.parametrize(
    ("failures", "lower", "upper"),
    [
        (1, 0.2108, 19.4957),
        (2, 0.3177, 5.6281),
        (5, 0.4756, 2.5379),
        (10, 0.5895, 1.8432),
    ],
)
def test_the_time_censored_mtbf_factors_of_section_8_4_5_1(failures, lower, upper):
    """90 % limits of the mean time between failures over its estimate."""
    lo, hi = garwood(failures, confidence=0.90)

    assert failures / hi == pytest.approx(lower, abs=1e-4)
    assert failures / lo == pytest.approx(upper, abs=1e-4)
