"""Kaplan-Meier, log-rank and Turnbull: references, edges, refusals, invariances."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="operator"

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.statistics import multivariate_logrank_test

from fleetbelt.errors import InputError
from fleetbelt.models.life_curve import kaplan_meier, log_log_limits, log_rank
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.turnbull import turnbull


def random_lives(seed: int, n: int = 200, groups: int = 1) -> Lives:
    """Right-censored lives with ties, some entered late."""
    rng = np.random.default_rng(seed)
    entry = rng.integers(0, 20, n) * (rng.random(n) < 0.4)
    miles = entry + rng.integers(1, 40, n)
    cell = rng.integers(0, groups, n)
    return Lives.right_censored(miles, rng.random(n) < 0.6, entry_mi=entry, cell=cell)


def test_the_curve_agrees_with_lifelines_late_entry_and_ties_included():
    lives = random_lives(0)

    curve = kaplan_meier(lives)
    referee = KaplanMeierFitter().fit(
        lives.lower_mi, lives.end == End.EXACT, entry=lives.entry_mi
    )

    survival = referee.survival_function_at_times(curve.miles).to_numpy()
    assert curve.survival == pytest.approx(survival, rel=1e-9, abs=1e-12)
    has_left = curve.survival > 0  # where none is left, lifelines puts both limits at 0
    limits = referee.confidence_interval_.loc[curve.miles[has_left]].to_numpy()
    assert curve.survival_lo[has_left] == pytest.approx(limits[:, 0], rel=1e-6)
    assert curve.survival_hi[has_left] == pytest.approx(limits[:, 1], rel=1e-6)


def test_a_running_belt_is_censored_at_its_last_odometer():
    lives = Lives.of([End.EXACT, End.RUNNING], [10, 5], [10, 20])

    curve = kaplan_meier(lives)

    assert list(curve.miles) == [10, 20]
    assert list(curve.at_risk) == [2, 1]
    assert list(curve.survival) == [0.5, 0.5]
    assert (curve.n, curve.failures, curve.running) == (2, 1, 1)


def test_the_curve_runs_flat_to_the_last_observed_mile():
    curve = kaplan_meier(Lives.right_censored([10, 30], [True, False]))

    assert list(curve.miles) == [10, 30]
    assert curve.survival[0] == curve.survival[1]
    assert curve.survival_hi[0] == curve.survival_hi[1]


def test_once_no_belt_is_left_the_upper_limit_stays_where_it_was():
    curve = kaplan_meier(Lives.right_censored([10, 20], [True, True]))

    assert list(curve.survival) == [0.5, 0.0]
    assert (curve.survival_lo[1], curve.standard_error[1]) == (0, 0)
    assert curve.survival_hi[1] == curve.survival_hi[0] < 1


@pytest.mark.parametrize(
    ("miles", "died", "steps", "said"),
    [
        ([], [], 0, "no belts"),
        ([700], [False], 1, "No failure is known"),
        ([0], [False], 1, "No failure is known"),
    ],
)
def test_without_failures_there_is_a_sentence(miles, died, steps, said):
    curve = kaplan_meier(Lives.right_censored(miles, died))

    assert curve.miles.size == steps
    assert (curve.survival == 1).all()
    assert curve.survival_lo == pytest.approx([0.025] * steps)  # of one belt
    assert said in curve.reason


def test_a_risk_set_that_dies_out_early_is_doubted():
    lives = Lives.right_censored([5, 7, 9], [True] * 3, entry_mi=[0, 6, 6])

    curve = kaplan_meier(lives)

    assert list(curve.survival) == [0, 0, 0]
    assert "not to be trusted" in curve.reason


def test_one_failed_belt_leaves_no_interval_to_speak_of():
    curve = kaplan_meier(Lives.right_censored([700], [True]))

    assert list(curve.survival) == [0]
    assert (curve.survival_lo[0], curve.survival_hi[0]) == (0, 1)


def test_limits_of_a_share_hardly_known_are_nothing_and_everything():
    lo, hi = log_log_limits(np.array([0.999]), np.array([1e4]), z=1.96)

    assert (lo[0], hi[0]) == (0, 1)


def test_lives_within_intervals_are_refused():
    lives = Lives.of([End.INTERVAL], [5], [9])

    with pytest.raises(InputError, match="known only within an interval"):
        kaplan_meier(lives)
    with pytest.raises(InputError, match="known only within an interval"):
        log_rank(lives)


def test_splitting_a_belt_between_failures_changes_nothing():
    lives = random_lives(1)
    s = lives.entry_mi + 0.5
    split = Lives.right_censored(
        np.concatenate([s, lives.lower_mi]),
        np.concatenate([np.zeros(200, bool), lives.end == End.EXACT]),
        entry_mi=np.concatenate([lives.entry_mi, s]),
    )

    whole, parts = kaplan_meier(lives), kaplan_meier(split)

    assert parts.survival == pytest.approx(whole.survival, rel=1e-12)
    assert parts.survival_lo == pytest.approx(whole.survival_lo, rel=1e-12)


def test_weights_stand_for_equal_belts():
    lives = random_lives(2)
    twice = lives.where(np.tile(np.arange(200), 2))

    one, two = kaplan_meier(lives), kaplan_meier(twice.grouped())

    assert two.survival == pytest.approx(one.survival, rel=1e-12)
    assert 2 * two.standard_error**2 == pytest.approx(one.standard_error**2, rel=1e-9)


def test_log_rank_agrees_with_lifelines_for_three_groups():
    rng = np.random.default_rng(3)
    miles, died, cell = (
        rng.integers(1, 40, 300),
        rng.random(300) < 0.6,
        np.arange(300) % 3,
    )

    test = log_rank(Lives.right_censored(miles, died, cell=cell))
    referee = multivariate_logrank_test(miles, cell, died)

    assert test.df == 2
    assert test.chi2 == pytest.approx(referee.test_statistic, rel=1e-9)
    assert test.p_value == pytest.approx(referee.p_value, rel=1e-9)


def test_log_rank_does_not_mind_the_unit_or_the_names_of_groups():
    lives = random_lives(4, groups=3)
    renamed = Lives.right_censored(
        1.609344 * lives.lower_mi,
        lives.end == End.EXACT,
        entry_mi=1.609344 * lives.entry_mi,
        cell=(lives.cell + 1) % 3,
    )

    assert log_rank(renamed).chi2 == pytest.approx(log_rank(lives).chi2, rel=1e-10)


@pytest.mark.parametrize(
    ("miles", "died", "cell"),
    [
        ([], [], []),
        ([5, 6], [True, True], [0, 0]),
        ([5, 6], [False, False], [0, 1]),
        ([1, 9], [False, True], [0, 1]),
    ],
)
def test_groups_that_cannot_be_compared_get_a_sentence(miles, died, cell):
    test = log_rank(Lives.right_censored(miles, died, cell=cell))

    assert test.chi2 is None
    assert test.p_value is None
    assert "Fewer than two groups" in test.reason


def test_turnbull_of_exact_and_censored_lives_is_kaplan_meier():
    rng = np.random.default_rng(5)
    lives = Lives.right_censored(rng.integers(1, 30, 80), rng.random(80) < 0.6)

    found = turnbull(lives, tolerance=1e-13)

    curve = kaplan_meier(lives)
    is_exact = found.left_mi == found.right_mi
    assert 1 - np.cumsum(found.mass)[is_exact] == pytest.approx(
        curve.survival[: is_exact.sum()], abs=1e-6
    )


def test_turnbull_masses_meet_the_conditions_of_a_maximum():
    """The likelihood's slope in every mass is the number of belts, or less with none.

    Gentleman, R. and Geyer, C. J. (1994), *Biometrika* 81, 618-623: necessary and
    sufficient. Checked on every unit of miles, not only where the estimate looked.
    """
    rng = np.random.default_rng(6)
    life = rng.weibull(1.5, 60) * 10
    left = np.floor(life * rng.uniform(0.3, 1, 60))
    right = np.ceil(life * rng.uniform(1, 1.7, 60)) + 1

    found = turnbull(Lives.of([End.INTERVAL] * 60, left, right))

    start = np.arange(right.max())  # (j, j + 1]
    may_fail = (left[:, None] <= start) & (start + 1 <= right[:, None])
    mass = np.zeros(start.size)
    mass[found.right_mi.astype(int) - 1] = found.mass  # anywhere within will do
    slope = (1 / (may_fail @ mass)) @ may_fail
    assert slope.max() < 60 + 1e-3
    assert slope[mass > 0] == pytest.approx(60, abs=1e-3)


def test_adjoining_inspections_share_no_point():
    """Half failed in (0, 5], half in (5, 9]; closed intervals would meet at 5."""
    found = turnbull(Lives.of([2, 2], [0, 5], [5, 9]))

    assert list(found.left_mi) == [0, 5]
    assert list(found.mass) == [0.5, 0.5]


@pytest.mark.parametrize("lives", [Lives.of([], []), Lives.of([1], [5], entry_mi=2)])
def test_turnbull_refuses_what_it_cannot_use(lives):
    with pytest.raises(InputError, match="entered late"):
        turnbull(lives)
