"""Funnel limits against their published definition, and a slow reference."""

import numpy as np
import pytest
from scipy.special import comb

from fleetbelt.models.funnel import between_units, funnel_limit


def test_limits_agree_with_summing_the_distribution_by_hand():
    rng = np.random.default_rng(8)
    for n, target in zip(
        rng.integers(5, 60, 10), rng.uniform(0.1, 0.9, 10), strict=True
    ):
        masses = [
            comb(n, r) * target**r * (1 - target) ** (n - r) for r in range(n + 1)
        ]
        total, r = masses[0], 0
        while total < 0.975:
            r += 1
            total += masses[r]
        expected = min((r - (total - 0.975) / masses[r]) / n, 1.0)

        assert funnel_limit([n], target, 0.975)[0] == pytest.approx(expected, rel=1e-9)


def test_a_target_of_all_leaves_no_room():
    assert funnel_limit([10, 20], 1.0, 0.025).tolist() == [1.0, 1.0]


def test_units_alike_show_no_spread_between_them_but_once_in_twenty():
    rng = np.random.default_rng(9)
    n = np.full(30, 200)
    found = [between_units(rng.binomial(n, 0.8), n, 0.8) > 0 for _ in range(400)]

    assert np.mean(found) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


def test_a_spread_between_units_is_found_and_the_wider_funnel_holds_them():
    """True shares of sd 0.05; drawn-in extremes make it a little small."""
    rng = np.random.default_rng(10)
    n, tau = np.full(200, 400), 0.05
    shares = np.clip(rng.normal(0.8, tau, n.size), 0, 1)
    held = rng.binomial(n, shares)

    found = between_units(held, n, 0.8)

    assert 0.035 < found < 0.06
    low, high = (funnel_limit(n, 0.8, p, between_sd=found) for p in (0.025, 0.975))
    narrow = funnel_limit(n, 0.8, 0.025), funnel_limit(n, 0.8, 0.975)
    y = held / n
    assert 0.85 < np.mean((y > low) & (y < high)) < 0.99
    assert np.mean((y > narrow[0]) & (y < narrow[1])) < 0.75


def test_the_spread_is_that_of_the_moments_written_out():
    x, n, target = [90, 130, 60, 170], [100, 200, 100, 200], 0.75
    s2 = [target * (1 - target) / k for k in n]
    z2 = sum((a / k - target) ** 2 / v for a, k, v in zip(x, n, s2, strict=True))
    w = [1 / v for v in s2]
    tau2 = (z2 - 3) / (sum(w) - sum(a * a for a in w) / sum(w))

    assert between_units(x, n, target) == pytest.approx(tau2**0.5, rel=1e-12)


def test_one_unit_has_nothing_to_differ_from():
    assert between_units([3], [40], 0.8) == 0.0
    assert between_units([40, 40], [40, 40], 1.0) == 0.0
