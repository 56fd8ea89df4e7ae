"""Rates and ratios: enumerated coverage, references, clustering, edges, refusals."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="operator"

import numpy as np
import pytest
from scipy.stats import binom, binomtest, chi2, poisson
from statsmodels.stats.rates import confint_poisson

from fleetbelt.errors import InputError
from fleetbelt.models.rates import (
    ClusterSums,
    dispersion_test,
    event_rate,
    garwood,
    rate_ratio,
)


def test_garwood_agrees_with_the_referee():
    """Its 'exact-c'; its mid-p is wrong for no events and is not used."""
    events = np.arange(1, 60)

    lower, upper = garwood(events, confidence=0.9)

    expected = confint_poisson(events, 1, method="exact-c", alpha=0.1)
    assert lower == pytest.approx(expected[0], rel=1e-9)
    assert upper == pytest.approx(expected[1], rel=1e-9)


def test_garwood_holds_the_truth_at_least_as_often_as_it_says():
    mu = np.linspace(0.05, 60, 1_500)
    x = np.arange(161)

    lower, upper = garwood(x)

    held = (lower <= mu[:, None]) & (mu[:, None] <= upper)
    coverage = (poisson.pmf(x, mu[:, None]) * held).sum(axis=1)
    assert coverage.min() >= 0.95 - 1e-9
    assert coverage.mean() == pytest.approx(0.9622, abs=0.002)


def test_each_tail_of_garwood_misses_no_more_than_its_half():
    mu = np.linspace(0.05, 60, 1_500)[:, None]
    x = np.arange(161)
    lower, upper = garwood(x)

    chance = poisson.pmf(x, mu)

    assert (chance * (lower > mu)).sum(axis=1).max() <= 0.025 + 1e-9
    assert (chance * (upper < mu)).sum(axis=1).max() <= 0.025 + 1e-9


def test_widening_is_garwood_on_fewer_events_that_count_for_more():
    lower, upper = garwood(20, widening=4)

    assert lower == pytest.approx(4 * chi2.ppf(0.025, 10) / 2, rel=1e-9)
    assert upper == pytest.approx(4 * chi2.ppf(0.975, 12) / 2, rel=1e-9)


@pytest.mark.parametrize("events", [-1, np.nan, [1, -2]])
def test_counts_that_cannot_be_are_refused(events):
    with pytest.raises(InputError, match="negative or missing count"):
        garwood(events)


def test_a_rate_is_events_over_miles():
    rate = event_rate(4, 2.5)

    assert rate.value == 1.6
    assert (rate.lo * 2.5, rate.hi * 2.5) == pytest.approx((1.0899, 10.2416), abs=1e-4)


def test_no_events_still_have_an_upper_limit():
    rate = event_rate(0, 2)

    assert (rate.value, rate.lo) == (0, 0)
    assert rate.hi == pytest.approx(-np.log(0.025) / 2)


def test_no_miles_have_no_rate():
    rate = event_rate(0, 0)

    assert (rate.value, rate.lo, rate.hi) == (None, None, None)
    assert "No miles" in rate.reason


@pytest.mark.parametrize("counts", [(3, 9), (12, 4), (1, 1), (0, 6)])
def test_a_ratio_is_the_conditional_binomial(counts):
    exposure = (7.0, 3.0)

    ratio = rate_ratio(counts, exposure, confidence=0.9)

    interval = binomtest(counts[0], sum(counts)).proportion_ci(0.9, "exact")
    lo, hi = (p / (1 - p) * 3 / 7 for p in interval)
    assert (ratio.lo, ratio.hi) == pytest.approx((lo, hi), rel=1e-9, abs=1e-11)
    assert ratio.value == pytest.approx(counts[0] / 7 / (counts[1] / 3))


@pytest.mark.parametrize("true_ratio", [0.4, 1.0, 2.7])
def test_the_ratio_holds_the_truth_at_least_as_often_as_it_says(true_ratio):
    """Enumerated over the first count, given sums of 1 to 40 events."""
    exposure = (2.0, 5.0)
    p = true_ratio * 2 / (true_ratio * 2 + 5)
    for n in (1, 2, 5, 13, 40):
        limits = [rate_ratio((x, n - x), exposure) for x in range(n + 1)]
        held = [
            limit.lo <= true_ratio and (limit.hi is None or true_ratio <= limit.hi)
            for limit in limits
        ]

        assert binom.pmf(np.arange(n + 1), n, p) @ held >= 0.95 - 1e-9


def test_swapping_the_two_sides_turns_the_ratio_over():
    one, other = rate_ratio((7, 3), (2, 5)), rate_ratio((3, 7), (5, 2))

    turned = (1 / other.value, 1 / other.hi, 1 / other.lo)
    assert (one.value, one.lo, one.hi) == pytest.approx(turned, rel=1e-10)


def test_miles_or_kilometres_do_not_matter_to_a_ratio():
    one, other = rate_ratio((7, 3), (2, 5)), rate_ratio((7, 3), (2e5, 5e5))

    assert (one.lo, one.hi) == pytest.approx((other.lo, other.hi), rel=1e-12)


@pytest.mark.parametrize(
    ("events", "exposure", "said"),
    [
        ((3, 0), (1, 1), "reference has no events"),
        ((0, 0), (1, 1), "no events on either side"),
        ((3, 2), (0, 1), "No miles"),
        ((3, 2), (1, 0), "No miles"),
    ],
)
def test_a_ratio_that_cannot_be_formed_gets_a_sentence(events, exposure, said):
    ratio = rate_ratio(events, exposure)

    assert ratio.value is None
    assert ratio.hi is None
    assert said in ratio.reason


def test_a_reference_without_events_leaves_a_lower_limit():
    assert rate_ratio((5, 0), (1, 1)).lo == pytest.approx(
        0.025**0.2 / (1 - 0.025**0.2), rel=1e-9
    )


def test_widening_both_sides_widens_the_ratio():
    """By the square root of its variance, as counts are many."""
    plain = rate_ratio((400, 500), (1, 2))
    wide = rate_ratio((400, 500), (1, 2), widening=(3.0, 2.0))

    assert wide.value == pytest.approx(plain.value)
    assert wide.lo < plain.lo < plain.hi < wide.hi
    factor = np.log(wide.hi / wide.lo) / np.log(plain.hi / plain.lo)
    expected = np.sqrt((3 / 400 + 2 / 500) / (1 / 400 + 1 / 500))
    assert factor == pytest.approx(expected, rel=0.02)


def _p_values(rng, n, mean, spread=0.0):
    """Dispersion tests of 1,500 fleets of n belts; spread is the rates' variance."""
    p = []
    for _ in range(1_500):
        exposure = rng.gamma(1.5, 1 / 1.5, n)
        rate = rng.gamma(1 / spread, spread, n) if spread else 1.0
        sums = ClusterSums.of(rng.poisson(mean * exposure * rate), exposure)
        p.append(dispersion_test(sums).p_value)
    return np.array(p)


@pytest.mark.parametrize(
    ("n", "mean"), [(200, 0.02), (1_000, 0.1), (50, 0.5), (200, 3)]
)
def test_the_dispersion_test_holds_its_level_rare_events_or_not(n, mean):
    """A normal reference rejects 7 % of the rare fleets."""
    rejected = (_p_values(np.random.default_rng(0), n, mean) < 0.05).mean()

    assert rejected < 0.065


def test_the_dispersion_test_finds_clustering():
    rejected = (_p_values(np.random.default_rng(1), 1_000, 0.3, 1.0) < 0.05).mean()

    assert rejected > 0.95


def test_the_variance_ratio_is_that_of_the_belts_residuals():
    events, exposure = np.array([0, 3, 0, 5, 1]), np.array([1.0, 2, 2, 3, 1])

    test = dispersion_test(ClusterSums.of(events, exposure))

    residual = events - events.sum() / exposure.sum() * exposure
    expected = (residual**2).sum() / events.sum() * 5 / 4
    assert test.variance_ratio == pytest.approx(expected, rel=1e-12)
    assert test.pairs == 3 + 10


def test_expected_pairs_are_those_of_a_random_split():
    """Ten events over belts of unequal exposure, 20,000 multinomial draws."""
    exposure = np.array([1.0, 2, 2, 3, 4])
    rng = np.random.default_rng(2)
    split = rng.multinomial(10, exposure / exposure.sum(), 20_000)

    tests = [dispersion_test(ClusterSums.of(x, exposure)) for x in split[:2_000]]

    pairs = (split * (split - 1) / 2).sum(axis=1).mean()
    expected = np.mean([test.expected_pairs for test in tests])
    assert expected == pytest.approx(pairs, rel=0.02)


def test_widened_rates_hold_the_truth_where_plain_ones_do_not():
    """300 belts with gamma rates, 600 fleets."""
    rng = np.random.default_rng(3)
    held, held_plain = 0, 0
    for _ in range(600):
        exposure = rng.gamma(2, 0.5, 300)
        events = rng.poisson(rng.gamma(0.4, 1 / 0.4, 300) * exposure)
        widening = dispersion_test(ClusterSums.of(events, exposure)).widening()
        for factor in (widening, 1.0):
            rate = event_rate(events.sum(), exposure.sum(), widening=factor)
            is_held = rate.lo <= 1 <= rate.hi
            held, held_plain = (
                (held + is_held, held_plain)
                if factor == widening
                else (held, held_plain + is_held)
            )

    assert 0.92 < held / 600 < 0.98
    assert held_plain / 600 < 0.85


@pytest.mark.parametrize(
    ("events", "exposure"), [([], []), ([0, 0], [1, 1]), ([1, 0], [1, 1]), ([5], [1])]
)
def test_too_few_events_or_belts_do_not_reject(events, exposure):
    test = dispersion_test(ClusterSums.of(events, exposure))

    assert (test.p_value, test.variance_ratio, test.widening()) == (1, 1, 1)
