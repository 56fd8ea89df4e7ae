"""Shrunk ratios and funnel limits: references, coverage, edges, refusals."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="arg-type, operator"

import numpy as np
import pytest
from scipy.stats import gamma, nbinom, poisson
from statsmodels.discrete.discrete_model import NegativeBinomial

from fleetbelt.errors import InputError
from fleetbelt.models.shrinkage import funnel_limits, overdispersion, shrink_ratios


def random_units(seed, n=500, variance=0.3):
    rng = np.random.default_rng(seed)
    expected = rng.gamma(2, 2, n)
    truth = rng.gamma(1 / variance, variance, n) if variance else np.ones(n)
    return rng.poisson(truth * expected), expected, truth


def test_mean_and_variance_agree_with_the_referee():
    observed, expected, _ = random_units(0)

    found = shrink_ratios(observed, expected)

    model = NegativeBinomial(observed, np.ones((500, 1)), exposure=expected)
    log_mean, alpha = model.fit(method="newton", disp=0, maxiter=100).params
    assert found.mean == pytest.approx(np.exp(log_mean), rel=1e-6)
    assert found.variance == pytest.approx(alpha, rel=1e-5)


def test_a_units_ratio_is_the_posterior_of_its_gamma():
    observed, expected, _ = random_units(1)

    found = shrink_ratios(observed, expected, confidence=0.9)

    shape, rate = 1 / found.variance, 1 / found.variance / found.mean
    posterior = gamma(shape + observed, scale=1 / (rate + expected))
    assert found.ratio == pytest.approx(posterior.mean(), rel=1e-9)
    assert found.lo == pytest.approx(posterior.ppf(0.05), rel=1e-9)
    assert found.hi == pytest.approx(posterior.ppf(0.95), rel=1e-9)


def test_intervals_hold_the_units_truths_on_average():
    observed, expected, truth = random_units(2, n=4_000)

    found = shrink_ratios(observed, expected)

    held = (found.lo <= truth) & (truth <= found.hi)
    assert held.mean() == pytest.approx(0.95, abs=0.012)


def test_shrunk_ratios_are_nearer_the_truth_than_raw_ones():
    observed, expected, truth = random_units(3)

    found = shrink_ratios(observed, expected)

    raw, shrunk = observed / expected - truth, found.ratio - truth
    assert (shrunk**2).mean() < 0.6 * (raw**2).mean()


def test_units_all_alike_get_their_mean_and_an_interval_around_it():
    """Evenly spread counts: less than Poisson's variance."""
    found = shrink_ratios([9, 10, 11] * 20, [10.0] * 60)

    assert found.variance == 0
    assert (found.ratio == 1.0).all()
    assert (found.lo < 1).all()
    assert (found.hi > 1).all()
    assert "No spread" in found.reason


def test_the_largest_variance_allowed_is_where_the_likelihood_falls():
    """Its root by scipy's negative binomial, of the interval of an average unit."""
    observed, expected = np.array([9, 10, 11] * 20), np.full(60, 10.0)

    found = shrink_ratios(observed, expected)

    shape = 1 / found_variance(observed, expected)
    posterior = gamma(shape + 10, scale=1 / (shape + 10))
    limits = (found.lo[1], found.hi[1])
    assert limits == pytest.approx(posterior.ppf([0.025, 0.975]), rel=1e-4)


def found_variance(observed, expected):
    """Largest v within 1.353 of the Poisson log-likelihood, on a fine grid."""
    v = np.exp(np.linspace(-12, 2, 40_001))[:, None]
    size = 1 / v
    loglik = nbinom.logpmf(observed[:3], size, size / (size + expected[:3])).sum(axis=1)
    loglik *= len(observed) / 3
    return float(v[loglik > loglik[0] - 1.644854**2 / 2].max())


@pytest.mark.parametrize(
    ("observed", "expected", "mean"),
    [([], [], None), ([0, 0], [1.0, 2.0], 0.0), ([0], [0.0], None)],
)
def test_where_nothing_happened_there_is_a_sentence(observed, expected, mean):
    found = shrink_ratios(observed, expected)

    assert found.mean == mean
    assert found.ratio.size == 0
    assert "No event was observed" in found.reason


def test_one_unit_is_its_own_mean():
    found = shrink_ratios([3], [2.0])

    assert found.ratio == pytest.approx([1.5])
    assert found.lo < 1.5 < found.hi


def test_a_unit_of_which_nothing_was_expected_gets_the_mean():
    observed, expected, _ = random_units(4)

    found = shrink_ratios(np.append(observed, 0), np.append(expected, 0.0))

    assert found.ratio.size == 501
    assert found.ratio[-1] == pytest.approx(found.mean, rel=1e-9)


@pytest.mark.parametrize(
    ("observed", "expected"), [([-1], [1.0]), ([1], [-1.0]), ([1], [0.0])]
)
def test_counts_that_cannot_be_are_refused(observed, expected):
    with pytest.raises(InputError, match="negative or missing"):
        shrink_ratios(observed, expected)


@pytest.mark.parametrize("expected", [1.0, 4.0, 15.0, 100.0])
def test_poisson_units_stay_within_their_funnel(expected):
    """Enumerated; limits of χ² quantiles would hold 0.63 where one is expected."""
    counts = np.arange(1_000)

    lower, upper = funnel_limits(expected)

    held = (lower <= counts / expected) & (counts / expected <= upper)
    assert 0.915 < poisson.pmf(counts, expected) @ held < 0.985


def test_a_unit_of_which_next_to_nothing_is_expected_is_not_low_without_events():
    lower, upper = funnel_limits([0.001, 0.5])

    assert list(lower) == [0, 0]
    assert upper[0] == 0
    assert upper[1] == pytest.approx(3.72, abs=0.005)


def test_units_that_differ_stay_within_a_funnel_that_allows_for_it():
    rng = np.random.default_rng(6)
    expected = rng.uniform(40, 400, 5_000)
    observed = rng.poisson(np.exp(0.2 * rng.standard_normal(5_000)) * expected)
    spread = overdispersion(observed, expected, trim=0)

    lower, upper = funnel_limits(expected, tau_squared=spread.tau_squared)

    ratio = observed / expected
    assert np.sqrt(spread.tau_squared) == pytest.approx(0.2, abs=0.02)
    assert ((lower <= ratio) & (ratio <= upper)).mean() == pytest.approx(0.95, abs=0.02)


def test_trimming_drops_the_extreme_units():
    observed = np.array([10, 10, 10, 10, 10, 10, 10, 10, 100, 1])

    all_of_them = overdispersion(observed, np.full(10, 10.0), trim=0)
    trimmed = overdispersion(observed, np.full(10, 10.0))

    assert (all_of_them.n, trimmed.n) == (10, 8)
    assert trimmed.phi == 0
    assert all_of_them.phi > 1


@pytest.mark.parametrize("expected", [[], [0.0]])
def test_no_units_have_no_spread(expected):
    found = overdispersion([0] * len(expected), expected)

    assert (found.phi, found.tau_squared, found.n) == (None, 0, 0)


def test_a_unit_without_events_does_no_harm():
    assert np.isfinite(overdispersion([0, 3], [2.0, 2.0]).phi)
