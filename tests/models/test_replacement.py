"""Age replacement: closed forms, edges, refusals, invariances."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="operator"

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import erf

from fleetbelt.errors import InputError
from fleetbelt.models.replacement import (
    age_replacement,
    near_best_ages_mi,
    replacement_cost_per_mi,
)

COSTS = {"cost_planned": 80.0, "cost_failure": 400.0}


def test_a_hazard_that_rises_in_proportion_has_a_closed_form():
    """Shape 2: h = 2 t, and the integral of survival is (√π/2) erf(t)."""
    age = brentq(
        lambda t: np.sqrt(np.pi) * t * erf(t) - (1 - np.exp(-t * t)) - 0.25, 0.01, 5
    )

    best = age_replacement(shape=2.0, scale_mi=50_000, **COSTS)

    assert best.age_mi == pytest.approx(50_000 * age, rel=1e-10)


@pytest.mark.parametrize("shape", [1.3, 2.5, 6.0, 40.0])
def test_no_other_age_costs_less(shape):
    best = age_replacement(shape=shape, scale_mi=50_000, **COSTS)
    ages = best.age_mi * np.array([0.5, 0.9, 0.99, 1.0, 1.01, 1.1, 2.0])

    costs = replacement_cost_per_mi(ages, shape=shape, scale_mi=50_000, **COSTS)

    assert costs.argmin() == 3
    assert costs[3] == pytest.approx(best.cost_per_mi, rel=1e-9)


def test_a_very_late_age_costs_what_running_to_failure_costs():
    best = age_replacement(shape=2.5, scale_mi=50_000, **COSTS)

    cost = replacement_cost_per_mi(1e6, shape=2.5, scale_mi=50_000, **COSTS)

    assert cost == pytest.approx(best.cost_per_mi_to_failure, rel=1e-12)


@pytest.mark.parametrize("shape", [0.6, 1.0])
def test_a_hazard_that_does_not_rise_gives_no_age(shape):
    best = age_replacement(shape=shape, scale_mi=50_000, **COSTS)

    assert best.age_mi is None
    assert (best.saving, best.is_worthwhile) == (0, False)
    assert "does not rise" in best.reason


@pytest.mark.parametrize("cost_failure", [50.0, 80.0])
def test_failures_that_cost_no_more_give_no_age(cost_failure):
    best = age_replacement(
        shape=3, scale_mi=50_000, cost_planned=80, cost_failure=cost_failure
    )

    assert best.age_mi is None
    assert "costs no more" in best.reason
    assert best.cost_per_mi_to_failure > 0


def test_an_age_that_no_belt_reaches_is_none():
    best = age_replacement(shape=1.01, scale_mi=50_000, **COSTS)

    assert best.age_mi is None
    assert "no belt reaches" in best.reason


def test_a_saving_under_one_per_cent_is_not_worth_scheduling():
    best = age_replacement(
        shape=1.3, scale_mi=50_000, cost_planned=100, cost_failure=150
    )

    assert best.age_mi is not None
    assert 0 <= best.saving < 0.01
    assert not best.is_worthwhile
    assert "not worth scheduling" in best.reason


def test_kilometres_multiply_the_age_and_leave_what_fails_before():
    mi = age_replacement(shape=2.2, scale_mi=50_000, **COSTS)
    km = age_replacement(shape=2.2, scale_mi=50_000 * 1.609344, **COSTS)

    assert km.age_mi / mi.age_mi == pytest.approx(1.609344, rel=1e-10)
    assert km.failed_share == pytest.approx(mi.failed_share, rel=1e-10)


def test_the_currency_does_not_matter_to_the_age():
    one = age_replacement(shape=2.2, scale_mi=50_000, **COSTS)
    other = age_replacement(
        shape=2.2, scale_mi=50_000, cost_planned=8_000, cost_failure=40_000
    )

    assert other.age_mi == pytest.approx(one.age_mi, rel=1e-12)
    assert other.cost_per_mi == pytest.approx(100 * one.cost_per_mi, rel=1e-12)


@pytest.mark.parametrize("shape", [1.6, 2.5, 4.0, 9.0])
def test_ages_near_the_best_cost_one_per_cent_more(shape):
    life = {"shape": shape, "scale_mi": 50_000.0, **COSTS}
    best = age_replacement(**life)

    ends = near_best_ages_mi(best, **life)

    assert ends[0] < best.age_mi < ends[1]
    assert replacement_cost_per_mi(ends, **life) == pytest.approx(
        1.01 * best.cost_per_mi, rel=1e-9
    )


def test_no_age_is_near_the_best_where_there_is_none():
    life = {"shape": 0.9, "scale_mi": 50_000.0, **COSTS}

    with pytest.raises(InputError, match="No age is the best"):
        near_best_ages_mi(age_replacement(**life), **life)


@pytest.mark.parametrize("name", ["shape", "scale_mi", "cost_planned", "cost_failure"])
@pytest.mark.parametrize("value", [0.0, -1.0, float("nan")])
def test_numbers_that_are_not_positive_are_refused(name, value):
    given = {"shape": 2.0, "scale_mi": 50_000.0, **COSTS, name: value}

    with pytest.raises(InputError, match="above 0"):
        age_replacement(**given)
