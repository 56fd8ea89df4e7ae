"""The weekly plan: optimal within its gap, never over capacity."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from fleetbelt.errors import InputError
from fleetbelt.models.plan_weeks import schedule_visits


def used(week, minutes, n_weeks):
    return np.bincount(week, minutes, n_weeks + 1)[:n_weeks]


def best_by_trying(minutes, cost, capacity):
    """Least cost over every way to give the visits weeks."""
    n, columns = cost.shape
    best = np.inf
    for weeks in itertools.product(range(columns), repeat=n):
        week = np.array(weeks)
        if (used(week, minutes, capacity.size) <= capacity).all():
            best = min(best, cost[np.arange(n), week].sum())
    return best


def invented(n, n_weeks, load, *, seed=0, minutes=(30.0, 60.0, 90.0), overdue=0.4):
    """Visits, some overdue, that cost more the further from their due week."""
    rng = np.random.default_rng(seed)
    due = np.where(rng.random(n) < overdue, 0, rng.integers(0, n_weeks, n))
    length = rng.choice(minutes, n)
    late, early = np.exp(rng.normal(0, 1, n)), np.exp(rng.normal(-0.5, 0.7, n))
    off = np.arange(n_weeks + 1) - due[:, None]
    cost = np.where(
        off > 0, late[:, None] * off * (1 + 0.02 * off), -early[:, None] * off
    )
    return length, cost, np.full(n_weeks, length.sum() * load / n_weeks)


@settings(max_examples=60, deadline=None)
@given(data=st.data(), n=st.integers(1, 5), n_weeks=st.integers(1, 3))
def test_a_small_plan_costs_what_the_best_of_all_plans_costs(data, n, n_weeks):
    lengths = st.sampled_from([20.0, 30.0, 37.5, 45.0, 60.0])
    minutes = np.array(data.draw(st.lists(lengths, min_size=n, max_size=n)))
    prices = st.lists(st.integers(0, 40), min_size=n_weeks + 1, max_size=n_weeks + 1)
    cost = np.array(data.draw(st.lists(prices, min_size=n, max_size=n))) / 4
    rooms = st.lists(st.integers(0, 130), min_size=n_weeks, max_size=n_weeks)
    capacity = np.array(data.draw(rooms), dtype=float)

    plan = schedule_visits(minutes, cost, capacity, gap=0.0)

    best = best_by_trying(minutes, cost, capacity)
    assert plan.cost == pytest.approx(best, abs=1e-9)
    assert plan.bound == pytest.approx(best, abs=1e-6)
    assert (used(plan.week, minutes, n_weeks) <= capacity).all()


@pytest.mark.parametrize("load", [0.6, 0.9, 1.05])
@pytest.mark.parametrize("n", [120, 400, 1000])
def test_visits_of_one_length_are_planned_as_an_assignment_would(n, load):
    """Every slot of a week a column: the assignment problem is solved exactly."""
    minutes, cost, capacity = invented(n, 12, load, seed=n, minutes=(30.0,))
    slots = np.repeat(np.arange(12), (capacity // 30).astype(int))
    columns = np.concatenate([slots, np.full(n, 12)])
    rows, taken = linear_sum_assignment(cost[:, columns])
    best = cost[rows, columns[taken]].sum()

    plan = schedule_visits(minutes, cost, capacity)

    assert plan.gap <= 1e-3
    assert plan.bound <= best * (1 + 1e-9)
    assert best * (1 - 1e-9) <= plan.cost <= best * (1 + 1e-3)
    assert (used(plan.week, minutes, 12) <= capacity).all()


@pytest.mark.parametrize(("n", "load"), [(101, 1.0), (300, 1.0), (900, 0.8)])
def test_visits_of_several_lengths_reach_the_gap(n, load):
    minutes, cost, capacity = invented(n, 26, load, seed=n, overdue=0.2)

    plan = schedule_visits(minutes, cost, capacity)

    assert plan.cost > 0
    assert plan.gap <= 1e-3
    assert plan.cost == pytest.approx(cost[np.arange(n), plan.week].sum())
    assert (used(plan.week, minutes, 26) <= capacity).all()


def test_lengths_without_a_handy_common_measure_say_how_far_they_may_be_off():
    minutes, cost, capacity = invented(
        120, 8, 0.8, seed=5, minutes=(37.31, 51.17, 63.77)
    )

    plan = schedule_visits(minutes, cost, capacity)

    assert plan.bound <= plan.cost
    assert plan.gap == pytest.approx(1 - plan.bound / plan.cost)
    assert plan.gap < 0.1
    assert (used(plan.week, minutes, 8) <= capacity + 1e-6).all()


def test_a_plan_that_fits_takes_every_visit_when_it_is_cheapest():
    minutes, cost, _ = invented(500, 26, 1.0)

    plan = schedule_visits(minutes, cost, np.full(26, 1e6))

    assert plan.week.tolist() == cost.argmin(axis=1).tolist()
    assert plan.gap == 0


def test_no_capacity_leaves_every_visit_over():
    minutes, cost, _ = invented(150, 5, 1.0)

    plan = schedule_visits(minutes, cost, np.zeros(5))

    assert (plan.week == 5).all()
    assert plan.cost == pytest.approx(cost[:, 5].sum())
    assert plan.gap <= 1e-3


def test_a_visit_longer_than_a_week_is_left_over():
    cost = np.array([[0.0, 1.0, 9.0], [0.0, 1.0, 9.0]])

    plan = schedule_visits(np.array([500.0, 60.0]), cost, np.array([120.0, 120.0]))

    assert plan.week.tolist() == [2, 0]


def test_the_bound_does_not_cut_a_visit_into_weeks_too_short_for_it():
    minutes = np.tile([30.0, 90.0], 100)
    cost = np.tile([[0.0, 0.0, 1.0], [0.0, 0.0, 9.0]], (100, 1))

    plan = schedule_visits(minutes, cost, np.array([60.0, 60.0]))

    assert plan.cost == pytest.approx(96 * 1 + 100 * 9)
    assert plan.gap <= 1e-3


@pytest.mark.parametrize("n_weeks", [1, 2, 4])
def test_few_weeks_are_planned_like_many(n_weeks):
    minutes, cost, capacity = invented(200, n_weeks, 0.7)

    plan = schedule_visits(minutes, cost, capacity)

    assert plan.gap <= 1e-3
    assert (used(plan.week, minutes, n_weeks) <= capacity).all()


@pytest.mark.parametrize("n", [60, 400])
def test_the_order_of_the_visits_does_not_change_the_cost(n):
    minutes, cost, capacity = invented(n, 10, 0.9, seed=3)
    order = np.random.default_rng(1).permutation(n)

    plan = schedule_visits(minutes, cost, capacity)
    other = schedule_visits(minutes[order], cost[order], capacity)

    assert other.cost == pytest.approx(plan.cost, rel=1e-3)


@pytest.mark.parametrize(
    ("minutes", "cost", "capacity", "match"),
    [
        ([30.0], [[0.0, 1.0]], [60.0, 60.0], "another shape"),
        ([30.0], [[0.0, np.nan]], [60.0], "not a number"),
        ([0.0], [[0.0, 1.0]], [60.0], "not positive"),
        ([30.0], [[0.0, 1.0]], [-1.0], "not positive"),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused(minutes, cost, capacity, match):
    with pytest.raises(InputError, match=match):
        schedule_visits(*map(np.array, (minutes, cost, capacity)))
