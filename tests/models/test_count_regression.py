"""Regression of counts: references, edges, invariances, what is avoidable."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="operator, union-attr"

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import nbinom, poisson
from statsmodels.discrete.discrete_model import NegativeBinomial

from fleetbelt.errors import InputError
from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.count_regression import attributable_fraction, fit_counts

DESIGN = np.array([[1.0, 0, 0], [1, 1, 0], [1, 0, 1], [1, 1, 1]])
NAMES = ["in_spec", "loose", "urban"]
BETA = np.array([-0.5, 0.9, 0.3])


def random_counts(seed, n=1_500, alpha=0.0):
    rng = np.random.default_rng(seed)
    cell, exposure = rng.integers(0, 4, n), rng.gamma(2, 0.5, n)
    frailty = rng.gamma(1 / alpha, alpha, n) if alpha else 1.0
    events = rng.poisson(exposure * np.exp(DESIGN @ BETA)[cell] * frailty)
    return Counts.of(events, exposure, cell=cell)


def test_poisson_counts_agree_with_the_referee():
    counts = random_counts(0)

    fit = fit_counts(counts, DESIGN, NAMES)

    model = sm.GLM(
        counts.events,
        DESIGN[counts.cell],
        sm.families.Poisson(),
        exposure=counts.exposure,
    )
    referee = model.fit(tol=1e-12)
    assert fit.family == "poisson"
    assert [c.value for c in fit.coefficients] == pytest.approx(
        referee.params, rel=1e-8
    )
    errors = [c.standard_error for c in fit.coefficients]
    assert errors == pytest.approx(referee.bse, rel=1e-8)
    assert fit.log_likelihood == pytest.approx(referee.llf, rel=1e-10)
    assert fit.deviance == pytest.approx(referee.deviance, rel=1e-10)
    assert fit.pearson == pytest.approx(referee.pearson_chi2, rel=1e-10)


def test_clustered_counts_agree_with_the_referee():
    counts = random_counts(1, alpha=0.8)

    fit = fit_counts(counts, DESIGN, NAMES)

    model = NegativeBinomial(
        counts.events, DESIGN[counts.cell], exposure=counts.exposure
    )
    referee = model.fit(method="newton", disp=0, maxiter=200)
    assert fit.family == "negative_binomial"
    assert [c.value for c in fit.coefficients] == pytest.approx(
        referee.params[:3], rel=1e-6
    )
    assert fit.alpha.value == pytest.approx(referee.params[3], rel=1e-6)
    errors = [c.standard_error for c in fit.coefficients]
    assert errors == pytest.approx(referee.bse[:3], rel=1e-4)
    assert fit.log_likelihood == pytest.approx(referee.llf, rel=1e-9)


@pytest.mark.parametrize("alpha", [1e-7, 1e-3, 0.7, 20.0])
def test_the_likelihoods_are_those_of_scipy(alpha):
    counts = random_counts(2, n=200)
    mu = counts.exposure * np.exp(DESIGN @ BETA)[counts.cell]

    clustered, *_ = counts.negative_binomial(DESIGN, np.append(np.log(alpha), BETA))
    plain, *_ = counts.poisson(DESIGN, BETA)

    size = 1 / alpha
    expected = nbinom.logpmf(counts.events, size, size / (size + mu)).sum()
    assert clustered == pytest.approx(expected, rel=1e-6)
    assert plain == pytest.approx(poisson.logpmf(counts.events, mu).sum(), rel=1e-12)


def test_rate_ratios_come_back_and_clustering_is_said():
    fit = fit_counts(random_counts(3, n=20_000, alpha=0.8), DESIGN, NAMES)

    for coefficient, true in zip(fit.coefficients, BETA, strict=True):
        assert abs(coefficient.value - true) < 3.5 * coefficient.standard_error
    assert fit.alpha.lo < 0.8 < fit.alpha.hi
    assert fit.clustering.p_value < 1e-9
    assert "cluster by belt" in fit.reason


def test_intervals_that_take_clustered_counts_for_poisson_are_too_short():
    counts = random_counts(4, n=5_000, alpha=2.0)

    fit = fit_counts(counts, DESIGN, NAMES)
    as_poisson = fit_counts(counts, DESIGN, NAMES, level=0.0)

    assert as_poisson.family == "poisson"
    ratio = (
        fit.coefficients[1].standard_error / as_poisson.coefficients[1].standard_error
    )
    assert ratio > 1.3


def test_poisson_counts_are_taken_for_clustered_as_often_as_the_level_says():
    """1,500 fleets of 150 belts, at 10 %; the usual χ² would reject half as often."""
    rng, one, p_values = np.random.default_rng(10), np.ones((1, 1)), []
    for _ in range(1_500):
        counts = Counts.of(rng.poisson(2.0, 150), np.ones(150), cell=np.zeros(150))
        p_values.append(fit_counts(counts, one, ["all"]).clustering.p_value)

    assert 0.075 < (np.array(p_values) < 0.10).mean() < 0.12


def test_cells_with_weights_are_as_good_as_belts_one_by_one():
    counts = random_counts(5, alpha=0.8)
    rounded = np.round(counts.exposure, 1) + 0.1
    key = np.column_stack([counts.events, rounded, counts.cell])
    rows, weight = np.unique(key, axis=0, return_counts=True)

    belts = fit_counts(
        Counts.of(counts.events, rounded, cell=counts.cell), DESIGN, NAMES
    )
    cells = fit_counts(
        Counts.of(rows[:, 0], rows[:, 1], cell=rows[:, 2], weight=weight), DESIGN, NAMES
    )

    assert rows.shape[0] < 700
    assert cells.log_likelihood == pytest.approx(belts.log_likelihood, rel=1e-11)
    assert cells.coefficients[1].ratio.hi == pytest.approx(
        belts.coefficients[1].ratio.hi, rel=1e-8
    )
    assert (cells.n, cells.df) == (belts.n, belts.df)


def test_miles_in_another_unit_move_the_intercept_only():
    counts = random_counts(6)
    in_km = Counts.of(counts.events, 1.609344 * counts.exposure, cell=counts.cell)

    mi, km = (fit_counts(x, DESIGN, NAMES).coefficients for x in (counts, in_km))

    assert km[1].ratio.lo == pytest.approx(mi[1].ratio.lo, rel=1e-9)
    assert km[0].value - mi[0].value == pytest.approx(-np.log(1.609344), abs=1e-9)


def test_splitting_a_belts_miles_leaves_poisson_ratios():
    counts = random_counts(7)
    split = Counts.of(
        np.concatenate([counts.events, 0 * counts.events]),
        np.tile(counts.exposure / 2, 2),
        cell=np.tile(counts.cell, 2),
    )

    whole, parts = (fit_counts(x, DESIGN, NAMES, level=0.0) for x in (counts, split))

    assert parts.coefficients[2].ratio.lo == pytest.approx(
        whole.coefficients[2].ratio.lo, rel=1e-9
    )


def test_a_band_without_complaints_and_one_without_miles_get_sentences():
    design = np.column_stack([np.ones(4), np.eye(4)[:, 1:]])
    counts = Counts.of([20, 0, 6, 0], [10.0, 4.0, 5.0, 0.0])

    fit = fit_counts(counts, design, ["in_spec", "under", "over", "tight"])

    _, under, over, tight = fit.coefficients
    assert "no bound" in under.reason
    assert over.ratio.value == pytest.approx(6 / 5 / 2)
    assert "nothing in this group" in tight.reason


@pytest.mark.parametrize(("events", "exposure"), [([], []), ([0, 0], [1.0, 2.0])])
def test_no_complaints_get_a_sentence(events, exposure):
    fit = fit_counts(Counts.of(events, exposure), np.ones((2, 1)), ["all"])

    assert fit.family is None
    assert "No event was counted" in fit.reason
    assert (
        attributable_fraction(fit, np.ones(2), np.ones((2, 1)), np.ones((2, 1))) is None
    )


def test_one_complaint_is_enough_for_one_rate():
    fit = fit_counts(Counts.of([1], [4.0]), np.ones((1, 1)), ["all"])

    assert fit.coefficients[0].ratio.value == pytest.approx(0.25)


def test_a_complaint_on_the_mile_of_fitting_gets_the_least_exposure():
    counts = Counts.of([1, 0, 2], [0.0, 0.0, 3.0])

    assert list(counts.events) == [1, 2]
    assert list(counts.exposure) == [3, 3]


@pytest.mark.parametrize(
    ("events", "exposure"), [([-1], [1]), ([1], [-1]), ([1], [0]), ([np.nan], [1])]
)
def test_counts_that_cannot_be_are_refused(events, exposure):
    with pytest.raises(InputError, match="negative or missing"):
        Counts.of(events, exposure)


def test_what_is_attributable_to_two_bands_is_their_excess():
    """20 in 10 units of miles in range, 30 in 5 loose: 20 of the 30 are in excess."""
    design, in_range = np.array([[1.0, 0.0], [1.0, 1.0]]), np.array([[1.0, 0.0]] * 2)
    miles = np.array([10.0, 5.0])
    fit = fit_counts(Counts.of([20, 30], miles), design, ["in_spec", "loose"])

    share = attributable_fraction(fit, miles, design, in_range)

    ratio = 30 / 50
    # log ratio = log(15 r0) - log(10 r0 + 5 r1); slopes in log r0 and log r1
    variance = (1 - 20 / 50) ** 2 / 20 + (30 / 50) ** 2 / 30
    half = 1.959963985 * np.sqrt(variance)
    assert share.value == pytest.approx(20 / 50, rel=1e-9)
    assert share.lo == pytest.approx(1 - ratio * np.exp(half), rel=1e-8)
    assert share.hi == pytest.approx(1 - ratio * np.exp(-half), rel=1e-8)


def test_the_attributable_share_holds_the_truth():
    """Mean and coverage over 200 fleets with clustering."""
    miles = np.array([600.0, 150.0, 500.0, 250.0])
    in_range = DESIGN * [1, 0, 1]
    rate, rate_if = np.exp(DESIGN @ BETA), np.exp(in_range @ BETA)
    truth = 1 - (miles @ rate_if) / (miles @ rate)
    rng, shares = np.random.default_rng(8), []
    for _ in range(200):
        cell = np.repeat(np.arange(4), miles.astype(int))
        mean = rate[cell] * rng.gamma(2.0, 0.5, cell.size)
        counts = Counts.of(rng.poisson(mean), np.ones(cell.size), cell=cell)
        fit = fit_counts(counts, DESIGN, NAMES)
        shares.append(attributable_fraction(fit, miles, DESIGN, in_range))

    held = np.mean([share.lo <= truth <= share.hi for share in shares])
    assert np.mean([share.value for share in shares]) == pytest.approx(truth, abs=0.005)
    assert 0.91 < held < 0.985


def test_a_design_that_changes_nothing_attributes_nothing():
    fit = fit_counts(random_counts(9), DESIGN, NAMES)

    share = attributable_fraction(fit, np.ones(4), DESIGN, DESIGN)

    assert (share.value, share.lo, share.hi) == (0, 0, 0)
