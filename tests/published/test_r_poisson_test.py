"""The examples of `?poisson.test` in R (values from memory; R and scipy agree)."""

import pytest

from fleetbelt.models.rates import event_rate, rate_ratio


def test_the_single_rate():
    """137 events in 24.19893 units of time."""
    rate = event_rate(137, 24.19893)

    limits = (rate.value, rate.lo, rate.hi)
    assert limits == pytest.approx((5.661407, 4.753125, 6.692709), abs=1e-6)


def test_the_ratio_of_two_rates():
    """11 events in 800 against 21 in 3011."""
    ratio = rate_ratio((11, 21), (800, 3011))

    limits = (ratio.value, ratio.lo, ratio.hi)
    assert limits == pytest.approx((1.971488, 0.8584264, 4.277268), abs=3e-6)
