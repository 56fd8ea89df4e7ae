"""Intervals of a share: enumerated coverage, references, edges, refusals."""

import numpy as np
import pytest
from scipy.stats import binom, binomtest

from fleetbelt.errors import InputError
from fleetbelt.models.proportions import newcombe, wilson

CASES = [(0, 5), (1, 5), (3, 7), (5, 5), (11, 240), (239, 240), (1, 100_000)]


@pytest.mark.parametrize(("successes", "n"), CASES)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_wilson_agrees_with_scipy(confidence, successes, n):
    expected = binomtest(successes, n).proportion_ci(confidence, "wilson")

    limits = wilson(successes, n, confidence=confidence)

    assert limits == pytest.approx(tuple(expected), rel=1e-9, abs=5e-12)


@pytest.mark.parametrize("n", [20, 60])
def test_wilson_holds_the_truth_as_often_as_it_says_on_average(n):
    """It dips to 0.84 next to 0 and 1 and averages 95 % (enumerated; no source)."""
    x, shares = np.arange(n + 1), np.linspace(0.001, 0.999, 999)[:, None]
    lower, upper = wilson(x, n)
    held = (lower <= shares) & (shares <= upper)
    coverage = (binom.pmf(x, n, shares) * held).sum(axis=1)

    assert 0.948 < coverage.mean() < 0.958
    assert coverage.min() > 0.83


def test_nothing_looked_at_leaves_the_share_anywhere():
    lower, upper = wilson([0, 2], [0, 4])

    assert (lower[0], upper[0]) == (0.0, 1.0)
    assert 0.0 < lower[1] < 0.5 < upper[1] < 1.0


def test_swapping_the_property_mirrors_the_interval():
    x, n = np.arange(31), 30

    lower, upper = wilson(x, n)
    mirrored_lower, mirrored_upper = wilson(n - x, n)

    assert lower == pytest.approx(1 - mirrored_upper, abs=1e-12)
    assert upper == pytest.approx(1 - mirrored_lower, abs=1e-12)


@pytest.mark.parametrize(("successes", "n"), [(3, 2), (-1, 2), (np.nan, 2)])
def test_impossible_counts_are_refused(successes, n):
    with pytest.raises(InputError, match="exceed their total"):
        wilson(successes, n)


@pytest.mark.parametrize(
    ("first", "second", "low", "high"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((10, 10), (0, 20), 0.6791, 1.0),
        ((0, 10), (0, 10), -0.2775, 0.2775),
    ],
)
def test_the_difference_of_two_shares_has_newcombes_interval(first, second, low, high):
    """Newcombe (1998), Stat. Med. 17, 873-890, table II, method 10.

    Values from memory; they are what the formula gives, done by hand for the first.
    """
    assert newcombe(first, second) == pytest.approx((low, high), abs=0.6e-4)


def test_the_difference_mirrors_when_the_groups_change_places():
    low, high = newcombe((30, 90), (12, 80))

    assert newcombe((12, 80), (30, 90)) == pytest.approx((-high, -low))


def test_an_empty_group_leaves_the_difference_anywhere():
    assert newcombe((0, 0), (3, 9)) == (-1.0, 1.0)
