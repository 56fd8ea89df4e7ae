"""Zelen, M. (1959), *Technometrics* 1, 269-288: life test of glass capacitors, hours.

Eight at each of two temperatures (°C) and four voltages; each test ended at the fourth
failure. The 64 rows are those of `survival::capacitor` in R, whose `survreg` gave the
coefficients.
"""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="union-attr"

import numpy as np
import pytest

from fleetbelt.models.life_regression import compare, fit_life_regression
from fleetbelt.models.lives import Lives

FAILED_AT = {  # (temperature, voltage): hours of the four failures
    (170, 200): (439, 904, 1092, 1105),
    (170, 250): (572, 690, 904, 1090),
    (170, 300): (315, 315, 439, 628),
    (170, 350): (258, 258, 347, 588),
    (180, 200): (959, 1065, 1065, 1087),
    (180, 250): (216, 315, 455, 473),
    (180, 300): (241, 315, 332, 380),
    (180, 350): (241, 241, 435, 455),
}
COVARIATES = np.array([(1.0, *key) for key in FAILED_AT])
NAMES = ["intercept", "temperature", "voltage"]


@pytest.fixture(scope="module")
def lives():
    hours = [[*failed, *[failed[-1]] * 4] for failed in FAILED_AT.values()]
    is_failure = np.tile([True] * 4 + [False] * 4, 8)
    cell = np.repeat(np.arange(8), 8)
    return Lives.right_censored(np.ravel(hours), is_failure, cell=cell)


def test_the_regression_on_temperature_and_voltage(lives):
    fit = fit_life_regression(lives, COVARIATES, NAMES)

    values = [c.value for c in fit.coefficients]
    errors = [c.standard_error for c in fit.coefficients]
    assert values == pytest.approx([13.4070169, -0.0289046627, -0.0059108195], rel=1e-6)
    assert errors == pytest.approx([2.295838, 0.0128970, 0.0010398], rel=1e-4)
    assert np.log(1 / fit.shape.value) == pytest.approx(-1.0111258, abs=1e-6)
    assert fit.log_likelihood == pytest.approx(-244.242343, abs=1e-6)


def test_the_regression_beats_one_life_for_all(lives):
    fit = fit_life_regression(lives, COVARIATES, NAMES)
    alone = fit_life_regression(lives, COVARIATES[:, :1], NAMES[:1])

    gain = compare(fit, alone)

    assert alone.log_likelihood == pytest.approx(-254.527145, abs=1e-6)
    assert (gain.df, gain.chi2) == (2, pytest.approx(20.569604, abs=1e-5))
    assert gain.p_value < 1e-4


def test_an_interaction_adds_nothing(lives):
    product = COVARIATES[:, 1] * COVARIATES[:, 2]
    design = np.column_stack([COVARIATES, product])

    fit = fit_life_regression(lives, design, [*NAMES, "product"])

    assert fit.log_likelihood == pytest.approx(-244.167617, abs=1e-6)
