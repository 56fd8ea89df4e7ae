"""Freireich et al. (1963), *Blood* 21, 699-716; the two-sample example of Gehan (1965).

Weeks in remission, 21 patients on 6-MP and 21 controls. Results as printed by Cox and
Oakes (1984) and by Venables and Ripley, *MASS*, chapter 13: values from memory; more
digits are those of several independent programs.
"""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="union-attr"

import numpy as np
import pytest

from fleetbelt.models.life_curve import kaplan_meier, log_rank
from fleetbelt.models.life_regression import compare, fit_life_regression
from fleetbelt.models.lives import Lives

TREATED = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
CONTROL = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


def _lives(listing: str, cell: list[int]) -> Lives:
    texts = listing.split()
    weeks = [float(text.removesuffix("+")) for text in texts]
    relapsed = [not text.endswith("+") for text in texts]
    return Lives.right_censored(weeks, relapsed, cell=cell)


@pytest.fixture(scope="module")
def both():
    return _lives(f"{TREATED} {CONTROL}", [0] * 21 + [1] * 21)


def test_kaplan_meier_of_the_treated():
    curve = kaplan_meier(_lives(TREATED, [0] * 21))

    survival = [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    errors = [0.076, 0.087, 0.096, 0.107, 0.114, 0.128, 0.135]
    assert list(curve.miles[:7]) == [6, 7, 10, 13, 16, 22, 23]
    assert curve.survival[:7] == pytest.approx(survival, abs=0.6e-3)
    assert curve.standard_error[:7] == pytest.approx(errors, abs=0.6e-3)


def test_log_log_limits_of_the_treated():
    """Recomputed by R's survfit with conf.type = 'log-log'."""
    curve = kaplan_meier(_lives(TREATED, [0] * 21))

    lo, hi = curve.survival_lo[[0, 6]], curve.survival_hi[[0, 6]]
    assert lo == pytest.approx([0.6197, 0.1881], abs=0.5e-4)
    assert hi == pytest.approx([0.9516, 0.6801], abs=0.5e-4)


def test_log_rank_of_treated_against_control(both):
    test = log_rank(both)

    assert test.chi2 == pytest.approx(16.79, abs=0.005)
    assert test.chi2 == pytest.approx(16.792940989, rel=1e-9)
    assert test.expected == pytest.approx([19.250501, 10.749499], abs=1e-6)
    assert test.p_value == pytest.approx(4.1688e-05, rel=1e-4)


def test_weibull_regression_of_treated_against_control(both):
    design = np.array([[1.0, 0.0], [1.0, 1.0]])

    fit = fit_life_regression(both, design, ["treated", "control"])
    alone = fit_life_regression(both, design[:, :1], ["all"])

    treated, control = fit.coefficients
    assert treated.value == pytest.approx(3.516, abs=0.5e-3)
    assert treated.standard_error == pytest.approx(0.252, abs=0.5e-3)
    assert control.value == pytest.approx(-1.267, abs=0.5e-3)
    assert control.standard_error == pytest.approx(0.311, abs=0.5e-3)
    assert 1 / fit.shape.value == pytest.approx(0.732, abs=0.5e-3)
    assert fit.log_likelihood == pytest.approx(-106.579492, abs=1e-6)
    assert compare(fit, alone).chi2 == pytest.approx(19.65, abs=0.005)
