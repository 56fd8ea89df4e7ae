"""The Weibull life: references, edges, invariances."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="arg-type, operator, union-attr"

import numpy as np
import pytest
from lifelines import WeibullFitter
from scipy.integrate import quad
from scipy.optimize import brentq, minimize
from scipy.stats import weibull_min

from fleetbelt.models.estimates import Estimate
from fleetbelt.models.life import (
    failure_probability,
    fit_weibull,
    life_quantile_mi,
    mean_life_between_mi,
    mean_residual_mi,
    median_residual_mi,
)
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.weibull_likelihood import Terms, weibull_objective

KM_PER_MI = 1.609344


def random_lives(seed: int, n: int = 300) -> Lives:
    """Lives of every kind, some late, some of several belts."""
    rng = np.random.default_rng(seed)
    entry = rng.uniform(0, 30_000, n) * (rng.random(n) < 0.4)
    lower = entry + rng.uniform(0, 60_000, n)
    upper = lower + rng.uniform(0, 15_000, n)
    weight = rng.integers(1, 4, n)
    return Lives.of(rng.integers(0, 4, n), lower, upper, entry_mi=entry, weight=weight)


def slow_log_likelihood(lives: Lives, shape: float, scale: float, p: float) -> float:
    """Add up belt by belt what each says, with scipy's distribution."""
    life = weibull_min(shape, scale=scale)
    total = 0.0
    for i in range(lives.weight.size):
        low, high = life.sf(lives.lower_mi[i]), life.sf(lives.upper_mi[i])
        chance = {
            End.CENSORED: low,
            End.EXACT: life.pdf(lives.lower_mi[i]),
            End.INTERVAL: low - high,
            End.RUNNING: (1 - p) * low + p * high,
        }[End(lives.end[i])]
        total += lives.weight[i] * np.log(chance / life.sf(lives.entry_mi[i]))
    return total


@pytest.mark.parametrize("broken_share", [0.0, 0.3, 1.0])
def test_the_likelihood_is_the_one_added_up_belt_by_belt(broken_share):
    lives = random_lives(1, 60)

    fit = fit_weibull(lives, broken_share=broken_share)

    slow = slow_log_likelihood(lives, fit.shape.value, fit.scale_mi.value, broken_share)
    assert fit.log_likelihood == pytest.approx(slow, rel=1e-10)


def test_no_search_without_derivatives_finds_a_better_fit():
    lives = random_lives(2, 60)

    fit = fit_weibull(lives, broken_share=0.3)

    searched = minimize(
        lambda x: -slow_log_likelihood(lives, np.exp(x[0]), np.exp(x[1]), 0.3),
        np.log([1.0, 40_000.0]),
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-9},
    )
    assert fit.log_likelihood == pytest.approx(-searched.fun, abs=1e-6)
    assert np.log([fit.shape.value, fit.scale_mi.value]) == pytest.approx(
        searched.x, abs=1e-5
    )


def test_profile_limits_are_where_the_slow_likelihood_has_fallen():
    lives = random_lives(3, 40)
    fit = fit_weibull(lives, broken_share=0.3, profile_below=1_000)
    floor = fit.log_likelihood - 1.959963985**2 / 2

    def best_above_floor(log_shape):
        best = minimize(
            lambda x: -slow_log_likelihood(lives, np.exp(log_shape), np.exp(x[0]), 0.3),
            [np.log(fit.scale_mi.value)],
            method="Nelder-Mead",
        )
        return -best.fun - floor

    centre = np.log(fit.shape.value)
    upper = brentq(best_above_floor, centre, centre + 1, xtol=1e-4)
    assert np.log(fit.shape.profile_hi) == pytest.approx(upper, abs=1e-3)


@pytest.mark.parametrize("name", ["scale_mi", "b10_mi", "median_mi"])
def test_profile_limits_of_a_quantile_hold_the_likelihood_ratio(name):
    """At the limit, no shape with that quantile reaches the floor."""
    lives = random_lives(4, 40)
    fit = fit_weibull(lives, broken_share=0.3, profile_below=1_000)
    failed = {"scale_mi": 1 - np.exp(-1), "b10_mi": 0.1, "median_mi": 0.5}[name]
    limit = getattr(fit, name).profile_hi

    def at_shape(log_shape):
        shape = np.exp(log_shape[0])
        scale = limit / (-np.log1p(-failed)) ** (1 / shape)
        return -slow_log_likelihood(lives, shape, scale, 0.3)

    best = minimize(at_shape, [np.log(fit.shape.value)], method="Nelder-Mead")

    fall = 2 * (fit.log_likelihood + best.fun)
    assert fall == pytest.approx(1.959963985**2, rel=1e-4)


def test_right_censored_lives_with_late_entry_agree_with_lifelines():
    rng = np.random.default_rng(5)
    life, entry = 50_000 * rng.weibull(2, 900), rng.uniform(0, 30_000, 900)
    end = rng.uniform(20_000, 90_000, 900)
    known = (life > entry) & (end > entry)
    miles, died = np.minimum(life, end)[known], (life < end)[known]

    fit = fit_weibull(Lives.right_censored(miles, died, entry_mi=entry[known]))
    referee = WeibullFitter().fit(miles, died, entry=entry[known])

    assert fit.shape.value == pytest.approx(referee.rho_, rel=1e-4)
    assert fit.scale_mi.value == pytest.approx(referee.lambda_, rel=1e-4)
    assert fit.log_likelihood == pytest.approx(referee.log_likelihood_, rel=1e-8)


def test_interval_censored_lives_agree_with_lifelines():
    rng = np.random.default_rng(6)
    life = 50_000 * rng.weibull(2, 500)
    lower = np.floor(life / 8_000) * 8_000
    is_found = lower < 60_000
    end = np.where(is_found, End.INTERVAL, End.CENSORED)
    lower = np.minimum(lower, 60_000)

    fit = fit_weibull(Lives.of(end, lower, lower + 8_000))
    upper = np.where(is_found, lower + 8_000, np.inf)
    referee = WeibullFitter().fit_interval_censoring(lower, upper)

    assert fit.shape.value == pytest.approx(referee.rho_, rel=1e-4)
    assert fit.scale_mi.value == pytest.approx(referee.lambda_, rel=1e-4)


@pytest.mark.parametrize(
    ("miles", "died", "said"),
    [
        ([], [], "Of 0 belts none has failed"),
        ([5_000], [True], "Of 1 belt 1 has failed"),
        ([5_000, 7_000], [False, False], "Of 2 belts none has failed"),
        ([5_000, 6_000, 7_000], [True, True, False], "Of 3 belts 2 have failed"),
        ([5_000] * 4, [True] * 4, "do not settle a shape"),
    ],
)
def test_where_nothing_can_be_fitted_a_sentence_says_why(miles, died, said):
    fit = fit_weibull(Lives.right_censored(miles, died))

    assert fit.shape is None
    assert fit.b10_mi is None
    assert fit.log_likelihood is None
    assert said in fit.reason
    assert fit.reason.endswith(".")
    assert life_quantile_mi(fit, 0.1) is None


def test_failures_found_at_one_first_visit_do_not_settle_a_shape():
    lives = Lives.of([2, 2, 2, 0], [0, 0, 0, 5_000], [5_000] * 4)

    fit = fit_weibull(lives)

    assert fit.shape is None
    assert "do not settle a shape" in fit.reason


def test_belts_that_ran_no_miles_do_no_harm():
    lives = Lives.of([0, 3, 1, 1, 2], [0, 0, 0, 900, 0], [0, 0, 0, 900, 2_000])

    fit = fit_weibull(lives)

    assert fit.failures == 3
    assert 0 < fit.shape.value < 2


def test_profile_limits_are_worked_out_below_thirty_failures_only():
    lives = random_lives(7, 60)
    few = lives.where(np.arange(60) < 20)

    assert fit_weibull(few).shape.profile_lo is not None
    assert fit_weibull(lives).shape.profile_lo is None


def test_rows_of_equal_belts_count_as_their_weight():
    lives = random_lives(8)
    one_by_one = lives.where(np.repeat(np.arange(300), lives.weight.astype(int)))
    ones = Lives.of(
        one_by_one.end, one_by_one.lower_mi, one_by_one.upper_mi,
        entry_mi=one_by_one.entry_mi,
    )  # fmt: skip

    assert fit_weibull(ones).shape.value == pytest.approx(
        fit_weibull(lives).shape.value, rel=1e-9
    )
    assert fit_weibull(lives.grouped()).log_likelihood == pytest.approx(
        fit_weibull(ones).log_likelihood, rel=1e-12
    )


def test_kilometres_multiply_scale_and_quantiles_and_leave_the_shape():
    lives = random_lives(9)
    in_km = Lives.of(
        lives.end,
        lives.lower_mi * KM_PER_MI,
        lives.upper_mi * KM_PER_MI,
        entry_mi=lives.entry_mi * KM_PER_MI,
        weight=lives.weight,
    )

    mi, km = fit_weibull(lives), fit_weibull(in_km)

    assert km.shape.value == pytest.approx(mi.shape.value, rel=1e-8)
    assert km.shape.hi == pytest.approx(mi.shape.hi, rel=1e-8)
    for name in ("scale_mi", "b10_mi", "median_mi"):
        ratio = getattr(km, name).value / getattr(mi, name).value
        assert ratio == pytest.approx(KM_PER_MI, rel=1e-8)


def test_splitting_a_belt_where_it_was_seen_changes_nothing():
    """Sound at mile s, then entered late at s: the same belt in two rows."""
    lives = random_lives(10)
    s = (lives.entry_mi + lives.lower_mi) / 2
    first = Lives.of(np.zeros(300), s, entry_mi=lives.entry_mi, weight=lives.weight)
    second = Lives.of(
        lives.end, lives.lower_mi, lives.upper_mi, entry_mi=s, weight=lives.weight
    )
    split = Lives.of(
        *(np.concatenate([getattr(part, name) for part in (first, second)])
          for name in ("end", "lower_mi", "upper_mi")),
        entry_mi=np.concatenate([first.entry_mi, second.entry_mi]),
        weight=np.concatenate([first.weight, second.weight]),
    )  # fmt: skip

    whole, parts = (
        fit_weibull(lives, broken_share=0.3),
        fit_weibull(split, broken_share=0.3),
    )

    assert parts.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-11)
    assert parts.scale_mi.hi == pytest.approx(whole.scale_mi.hi, rel=1e-8)


def test_a_belt_censored_where_it_entered_changes_nothing():
    lives = random_lives(11)
    more = Lives.of(
        np.append(lives.end, End.CENSORED),
        np.append(lives.lower_mi, 9_000),
        np.append(lives.upper_mi, 9_000),
        entry_mi=np.append(lives.entry_mi, 9_000),
        weight=np.append(lives.weight, 50),
    )

    assert fit_weibull(more).log_likelihood == pytest.approx(
        fit_weibull(lives).log_likelihood, rel=1e-12
    )


def test_duplicating_all_belts_halves_the_variances():
    lives = random_lives(12)
    twice = lives.where(np.tile(np.arange(300), 2))

    one, two = fit_weibull(lives).log_covariance, fit_weibull(twice).log_covariance

    assert np.array(two) * 2 == pytest.approx(np.array(one), rel=1e-6)


def test_the_order_of_belts_does_not_matter():
    lives = random_lives(13)
    shuffled = lives.where(np.random.default_rng(0).permutation(300))

    assert fit_weibull(shuffled).b10_mi.lo == pytest.approx(
        fit_weibull(lives).b10_mi.lo, rel=1e-10
    )


def test_failure_ahead_is_the_conditional_chance():
    life = weibull_min(2.5, scale=60_000)
    age, ahead = np.array([0.0, 10_000, 80_000]), np.array([5_000.0, 5_000, 5_000])

    chance = failure_probability(age, ahead, shape=2.5, scale_mi=60_000)

    assert chance == pytest.approx(1 - life.sf(age + ahead) / life.sf(age), rel=1e-9)


def test_an_old_belt_of_shape_one_is_as_good_as_new():
    ages = np.array([0.0, 50_000, 5e6])

    weibull = {"shape": 1.0, "scale_mi": 60_000.0}
    chance = failure_probability(ages, 1_000, **weibull)
    assert chance == pytest.approx(1 - np.exp(-1 / 60), rel=1e-9)
    assert mean_residual_mi(ages, **weibull) == pytest.approx(60_000, rel=1e-9)


@pytest.mark.parametrize("shape", [0.7, 1.5, 3.2])
@pytest.mark.parametrize("age", [0.0, 20_000.0, 150_000.0, 400_000.0])
def test_the_mean_residual_life_is_the_integral_of_survival(shape, age):
    def survival(ahead):
        return 1 - failure_probability(age, ahead, shape=shape, scale_mi=50_000)

    mean = float(mean_residual_mi(age, shape=shape, scale_mi=50_000))
    expected, _ = quad(survival, 0, 60 * mean, points=[mean, 5 * mean], limit=200)

    assert mean == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("shape", [0.7, 1.5, 3.2])
def test_the_mean_residual_life_goes_on_smoothly_where_its_series_takes_over(shape):
    """At a cumulative hazard of 100; the four terms are good to about 1e-7."""
    ages = 50_000 * np.array([99.999999, 100.000001]) ** (1 / shape)

    below, above = mean_residual_mi(ages, shape=shape, scale_mi=50_000)

    assert above == pytest.approx(below, rel=1e-6)


@pytest.mark.parametrize("shape", [0.7, 1.0, 3.2])
@pytest.mark.parametrize("seen", [(0, 9_000), (0, 250_000), (40_000, 48_000)])
def test_the_mean_life_between_two_sightings_is_that_of_belts_that_fail_there(
    shape, seen
):
    lower, upper = seen
    life = weibull_min(shape, scale=50_000)
    expected = life.expect(lb=lower, ub=upper, conditional=True)

    mean = mean_life_between_mi(lower, upper, shape=shape, scale_mi=50_000)

    assert mean == pytest.approx(expected, rel=1e-6)


def test_where_next_to_none_fail_the_mean_life_is_in_the_middle():
    """Of a span of no length, and far beyond every life."""
    mean = mean_life_between_mi(
        [9_000, 4e6], [9_000, 5e6], shape=3.0, scale_mi=[50_000, 50_000]
    )

    assert mean.tolist() == [9_000, 4.5e6]


def test_limits_that_are_astronomically_wide_stay_numbers():
    estimate = Estimate.of_log(10.0, 1e4, z=1.96)

    assert (estimate.lo, np.isfinite(estimate.hi)) == (0, True)


def test_half_the_belts_fail_within_the_median_residual_life():
    ages = np.array([0.0, 30_000, 90_000])
    weibull = {"shape": np.array([0.8, 2.0, 3.0]), "scale_mi": 60_000.0}

    median = median_residual_mi(ages, **weibull)

    assert failure_probability(ages, median, **weibull) == pytest.approx(0.5, rel=1e-9)


def test_where_every_failure_breaks_a_running_belt_is_known_to_its_last_mile():
    """And a shape with which it could never have come so far is still worked out."""
    end = np.repeat([End.EXACT, End.RUNNING], [3, 6])
    seen_mi = np.array([9e3, 1e4, 1.1e4, 1e3, 2e3, 3e3, 4e3, 5e3, 0.0])
    last_mi = np.concatenate([seen_mi[:3], np.full(6, 6e4)])
    known_mi = np.where(end == End.RUNNING, last_mi, seen_mi)
    end_known = np.where(end == End.RUNNING, End.CENSORED, end)

    fit, by_hand = (
        fit_weibull(lives, broken_share=1.0)
        for lives in (Lives.of(end, seen_mi, last_mi), Lives.of(end_known, known_mi))
    )
    too_steep = weibull_objective(
        Terms.of(Lives.of(end, seen_mi, last_mi), 1.0), np.ones((1, 1))
    )(np.array([2.0, 9.0]))

    assert fit.b10_mi.hi == pytest.approx(by_hand.b10_mi.hi, rel=1e-6)
    assert all(np.isfinite(part).all() for part in too_steep)
