"""Age replacement: Barlow, R. E. and Hunter, L. C. (1960), *Operations Research* 8, 90.

No printed table of Weibull cases is known to us; the values were worked out three ways
(root of the condition, its cost identity, quadrature). The first row is also the worked
example of the documentation of a general reliability library, which prints 493.19.
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from fleetbelt.models.replacement import age_replacement

CASES = [  # shape, scale, planned, failure, age, cost rate, saving, share failed before
    (2.5, 1000, 1, 5, 493.046958, 0.00346204274, 0.38565, 0.1569),
    (2, 1, 1, 5, 0.510655, 4.08524179, 0.27591, 0.2295),
    (2, 1, 1, 10, 0.336451, 6.05612144, 0.46329, 0.1070),
    (3, 1, 1, 10, 0.382456, 3.94935030, 0.64733, 0.0544),
    (1.5, 1, 1, 10, 0.378144, 8.30161632, 0.25057, 0.2075),
    (1.5, 1000, 1, 5, 675.491992, 0.00493129919, 0.10966, 0.4260),
    (3.16047031, 27718.71813, 1, 5, 14071.1924, 1.0541559e-04, 0.47690, 0.1107),
    (3.16047031, 27718.71813, 1, 10, 10860.1928, 1.35534164e-04, 0.66372, 0.0504),
]


@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_table_of_ages(case):
    shape, scale, planned, failure, age, cost, saving, failed = case

    best = age_replacement(
        shape=shape, scale_mi=scale, cost_planned=planned, cost_failure=failure
    )

    assert best.age_mi == pytest.approx(age, rel=1.5e-6)
    assert best.cost_per_mi == pytest.approx(cost, rel=1e-7)
    assert best.saving == pytest.approx(saving, abs=0.6e-5)
    assert best.failed_share == pytest.approx(failed, abs=0.6e-4)
    assert best.is_worthwhile


def test_the_documented_example_agrees_to_its_grid():
    """A grid of 10,000 ages gave 493.19, 3e-4 high."""
    best = age_replacement(shape=2.5, scale_mi=1000, cost_planned=1, cost_failure=5)

    assert best.age_mi == pytest.approx(493.19, rel=1e-3)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_search_over_the_cost_by_quadrature_finds_the_same_cost(case):
    shape, scale, planned, failure, age, cost, *_ = case

    def rate(t):
        run, _ = quad(lambda u: np.exp(-((u / scale) ** shape)), 0, t)
        survival = np.exp(-((t / scale) ** shape))
        return (planned * survival + failure * (1 - survival)) / run

    found = minimize_scalar(rate, bounds=(age / 3, age * 3), method="bounded")

    assert found.fun == pytest.approx(cost, rel=1e-7)
