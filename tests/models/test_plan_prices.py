"""The prices of weeks: their bound is the linear programme's, an independent one."""

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.sparse import eye_array, kron

from fleetbelt.models.plan_prices import week_prices


def invented(n, n_weeks, load):
    rng = np.random.default_rng(n)
    minutes = rng.choice([30.0, 60.0, 90.0], n)
    off = np.arange(n_weeks + 1) - rng.integers(0, n_weeks, n)[:, None]
    cost = np.where(off > 0, rng.exponential(1.0, n)[:, None] * off, -0.3 * off)
    return minutes, cost, np.full(n_weeks, minutes.sum() * load / n_weeks)


def bound(minutes, cost, room, prices):
    least = (cost + prices * minutes[:, None]).min(axis=1)
    return least.sum() - prices[:-1] @ room


def least_cost(minutes, cost, room):
    """What visits that may be cut into parts cost at least."""
    n, columns = cost.shape
    weeks = kron(minutes[None, :], eye_array(columns).tocsr()[:-1])
    each = kron(eye_array(n), np.ones((1, columns)))
    return linprog(cost.ravel(), A_ub=weeks, b_ub=room, A_eq=each, b_eq=np.ones(n)).fun


@pytest.mark.parametrize("load", [0.3, 0.6, 1.0])
@pytest.mark.parametrize("n", [3, 150, 700])
def test_no_better_bound_exists(n, load):
    minutes, cost, room = invented(n, 10, load)

    prices = week_prices(minutes, cost, room, scale=1.0)

    best = least_cost(minutes, cost, room)
    assert prices[-1] == 0
    assert (prices >= 0).all()
    assert bound(minutes, cost, room, prices) <= best + 1e-9 * (1 + best)
    assert bound(minutes, cost, room, prices) >= best - 1e-3 * (1 + best)


def test_weeks_with_room_for_everything_cost_nothing():
    minutes, cost, _ = invented(150, 10, 1.0)

    prices = week_prices(minutes, cost, np.full(10, 1e9), scale=1.0)

    assert not prices.any()


def test_visits_that_are_all_alike_have_prices_too():
    cost = np.tile([0.0, 1.0, 2.0, 9.0], (200, 1))

    prices = week_prices(np.full(200, 30.0), cost, np.full(3, 1500.0), scale=1.0)

    assert bound(np.full(200, 30.0), cost, np.full(3, 1500.0), prices) == (
        pytest.approx(50 * (0 + 1 + 2 + 9), rel=1e-3)
    )
