"""Spiegelhalter, D. J. (2005), *Statistics in Medicine* 24, 1185: funnel plots.

Limits and overdispersion as tested by an open-source R package for funnel plots, seen
second-hand.
"""

import pytest

from fleetbelt.models.shrinkage import funnel_limits, overdispersion

OBSERVED = [100, 150, 180, 80, 120, 225]
EXPECTED = [108, 112, 165, 95, 100, 220]


def test_exact_poisson_limits_at_95_per_cent():
    lower, upper = funnel_limits([15, 20, 30])

    assert lower == pytest.approx([0.5596924, 0.6108260, 0.6746958], abs=1e-7)
    assert upper == pytest.approx([1.649348, 1.544419, 1.427562], abs=1e-6)


def test_exact_poisson_limits_at_99_8_per_cent():
    lower, upper = funnel_limits([15, 20, 30], confidence=0.998)

    assert lower == pytest.approx([0.3862650, 0.4479107, 0.5289724], abs=1e-7)
    assert upper == pytest.approx([2.082907, 1.902094, 1.702771], abs=1e-6)


def test_overdispersion_of_six_units():
    """Of six units, 10 % rounded down drops none."""
    found = overdispersion(OBSERVED, EXPECTED)

    assert found.n == 6
    assert found.phi == pytest.approx(2.948033, abs=1e-6)
    assert found.tau_squared == pytest.approx(0.019477531, abs=1e-9)
