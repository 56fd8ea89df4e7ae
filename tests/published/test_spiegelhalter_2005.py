"""Spiegelhalter, D. J. (2005), *Statistics in Medicine* 24, 1185: funnel plots.

Limits: worked out from the definition in its appendix, independently of this package.
Overdispersion: as tested by an open-source R package for funnel plots, seen
second-hand.
"""

import pytest

from fleetbelt.models.funnel import funnel_limit
from fleetbelt.models.shrinkage import funnel_limits, overdispersion

OBSERVED = [100, 150, 180, 80, 120, 225]
EXPECTED = [108, 112, 165, 95, 100, 220]
LIMITS = [  # expected events; limits of 95 % and of 99.8 % of the units
    (5, (0.10841, 1.87531), (0.0, 2.55427)),  # -0.17032, cut at 0
    (10, (0.37752, 1.61600), (0.12205, 2.06620)),
    (20, (0.56025, 1.43729), (0.35846, 1.73568)),
    (50, (0.72243, 1.27661), (0.58246, 1.45503)),
    (100, (0.80366, 1.19581), (0.70065, 1.31805)),
]


@pytest.mark.parametrize(("expected", "inner", "outer"), LIMITS)
def test_interpolated_exact_poisson_limits(expected, inner, outer):
    assert funnel_limits(expected) == pytest.approx(inner, abs=0.6e-5)
    assert funnel_limits(expected, confidence=0.998) == pytest.approx(outer, abs=0.6e-5)


def test_overdispersion_of_six_units():
    """Of six units, 10 % rounded down drops none."""
    found = overdispersion(OBSERVED, EXPECTED)

    assert found.n == 6
    assert found.phi == pytest.approx(2.948033, abs=1e-6)
    assert found.tau_squared == pytest.approx(0.019477531, abs=1e-9)


@pytest.mark.parametrize(
    ("n", "limits"),
    [
        (50, (0.0, 0.01386, 0.17972, 0.24013)),  # -0.01612, cut at 0
        (100, (0.01418, 0.04038, 0.15772, 0.19836)),
        (200, (0.03785, 0.05769, 0.14097, 0.16857)),
        (500, (0.05999, 0.07345, 0.12601, 0.14269)),
    ],
)
def test_interpolated_exact_binomial_limits(n, limits):
    """A target of 0.1: the funnel that the workshop's page draws."""
    found = [funnel_limit([n], 0.1, p).item() for p in (0.001, 0.025, 0.975, 0.999)]

    assert found == pytest.approx(limits, abs=0.5e-5)
