"""The piecewise-constant hazard: references, edges, invariances."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="operator"

import numpy as np
import pytest
from scipy.optimize import minimize

from fleetbelt.models.hazard_curve import hazard_curve
from fleetbelt.models.lives import End, Lives

WIDTH = 5_000.0


def random_lives(seed: int, n: int = 300) -> Lives:
    rng = np.random.default_rng(seed)
    entry = rng.uniform(0, 15_000, n) * (rng.random(n) < 0.4)
    lower = entry + rng.uniform(0, 30_000, n)
    upper = lower + rng.uniform(0, 9_000, n)
    end, weight = rng.integers(0, 4, n), rng.integers(1, 4, n)
    return Lives.of(end, lower, upper, entry_mi=entry, weight=weight)


def slow_loss(
    log_hazard: np.ndarray, lives: Lives, edges: np.ndarray, p: float
) -> float:
    """Minus the log-likelihood, each cell's overlap with each belt worked out anew."""
    hazard = np.exp(log_hazard)

    def cumulative(miles):
        return np.clip(miles[:, None] - edges[:-1], 0, np.diff(edges)) @ hazard

    low, high = cumulative(lives.lower_mi), cumulative(lives.upper_mi)
    cell = np.searchsorted(edges, lives.lower_mi) - 1
    kinds = {
        End.CENSORED: -low,
        End.EXACT: np.log(hazard)[cell] - low,
        End.INTERVAL: np.log(np.exp(-low) - np.exp(-high) + 1e-300),
        End.RUNNING: np.log((1 - p) * np.exp(-low) + p * np.exp(-high)),
    }
    terms = np.select([lives.end == end for end in kinds], list(kinds.values()))
    return float(-lives.weight @ (terms + cumulative(lives.entry_mi)))


@pytest.mark.parametrize("broken_share", [0.2, 1.0])
def test_a_search_of_the_slow_likelihood_finds_the_same_curve(broken_share):
    lives = random_lives(0)

    curve = hazard_curve(lives, width_mi=WIDTH, broken_share=broken_share)
    edges = np.append(0.0, curve.miles)
    searched = minimize(
        slow_loss,
        np.full(curve.miles.size, -10.0),
        (lives, edges, broken_share),
        jac="3-point",
        method="L-BFGS-B",
        bounds=[(-20, -5)] * curve.miles.size,
    )

    survival = np.exp(-np.cumsum(np.exp(searched.x) * np.diff(edges)))
    assert curve.survival == pytest.approx(survival, abs=2e-4)


def test_right_censored_lives_give_failures_over_miles_at_risk():
    """The occurrence-exposure rate, with the exact variance of its logarithm, 1/d."""
    miles = np.array([1_000, 2_000, 4_000, 7_000, 9_000, 9_500])
    lives = Lives.right_censored(miles, [1, 0, 1, 1, 0, 1])

    curve = hazard_curve(lives, width_mi=4_500)

    first = 2 / (1_000 + 2_000 + 4_000 + 3 * 4_500)
    second = 2 / (7_000 + 9_000 + 9_500 - 3 * 4_500)
    log_s = -4_500 * first - np.array([0, 5_000]) * second
    variance = (4_500 * first) ** 2 / 2 + np.array([0, (5_000 * second) ** 2 / 2])
    assert list(curve.miles) == [4_500, 9_500]
    assert curve.survival == pytest.approx(np.exp(log_s), rel=1e-7)
    assert curve.standard_error == pytest.approx(
        np.exp(log_s) * np.sqrt(variance), rel=1e-6
    )


def test_visits_on_the_edges_give_the_life_table():
    """Found failed at 5,000 or 10,000: the binomial share of those still there."""
    lives = Lives.of(
        [End.INTERVAL, End.INTERVAL, End.CENSORED], [0, 5_000, 10_000],
        [5_000, 10_000, 10_000], weight=[20, 30, 50],
    )  # fmt: skip

    curve = hazard_curve(lives, width_mi=5_000)

    assert curve.survival == pytest.approx([0.8, 0.5], abs=1e-7)
    assert curve.standard_error == pytest.approx([0.04, 0.05], rel=1e-4)


def test_belts_at_risk_are_counted_at_the_end_of_a_cell():
    lives = Lives.right_censored(
        [3_000, 5_000, 9_000], [1, 0, 0], entry_mi=[0, 0, 5_000]
    )

    curve = hazard_curve(lives, width_mi=5_000)

    assert list(curve.miles) == [5_000, 9_000]
    assert list(curve.at_risk) == [1, 1]


def test_the_short_rest_of_the_miles_joins_the_last_cell():
    curve = hazard_curve(Lives.right_censored([11_000], [True]), width_mi=5_000)

    assert list(curve.miles) == [5_000, 11_000]


@pytest.mark.parametrize(
    ("lives", "steps", "said"),
    [
        (Lives.of([], []), 0, "No miles are known"),
        (Lives.right_censored([0], [False]), 0, "No miles are known"),
        (Lives.right_censored([12_000], [False]), 2, "No failure is known"),
        (Lives.of([End.RUNNING], [0], [6_000]), 1, "No failure is known"),
    ],
)
def test_without_failures_the_curve_stays_at_one_and_says_so(lives, steps, said):
    curve = hazard_curve(lives)

    assert curve.miles.size == steps
    assert (curve.survival == 1).all()
    assert (curve.survival_hi == 1).all()
    assert said in curve.reason


def test_when_the_last_belt_is_found_failed_the_curve_ends_at_nothing():
    lives = Lives.of([End.EXACT, End.INTERVAL], [2_000, 5_000], [2_000, 9_000])

    curve = hazard_curve(lives)

    assert curve.survival[-1] == pytest.approx(0, abs=0.01)
    assert np.isfinite(curve.survival_hi).all()
    assert (curve.survival_lo <= curve.survival + 1e-12).all()


def test_kilometres_with_cells_in_kilometres_leave_the_curve():
    lives, unit = random_lives(1), 1.609344
    in_km = Lives.of(
        lives.end,
        unit * lives.lower_mi,
        unit * lives.upper_mi,
        entry_mi=unit * lives.entry_mi,
        weight=lives.weight,
    )

    mi, km = hazard_curve(lives), hazard_curve(in_km, width_mi=5_000 * unit)

    assert km.survival == pytest.approx(mi.survival, rel=1e-6)
    assert km.survival_lo == pytest.approx(mi.survival_lo, rel=1e-5)


def test_duplicating_all_belts_halves_the_variance():
    lives = random_lives(2)
    twice = lives.where(np.tile(np.arange(300), 2))

    one, two = hazard_curve(lives), hazard_curve(twice)

    assert 2 * two.standard_error**2 == pytest.approx(one.standard_error**2, rel=1e-4)


def test_where_few_have_failed_the_lower_limit_is_an_exact_one():
    """One failure late in 200 belts: before it S is near 1, and 0 is no limit of it."""
    end = np.full(200, End.CENSORED)
    end[0] = End.INTERVAL
    lower = np.full(200, 40_000.0)
    upper = np.full(200, 40_000.0)
    lower[0], upper[0] = 9_000.0, 31_000.0

    curve = hazard_curve(Lives.of(end, lower, upper))

    assert curve.survival_lo.min() > 1 - 5.6 / 150
    assert (curve.survival_lo <= curve.survival).all()


def test_before_any_failure_the_limit_is_that_of_none_of_n():
    """(1 - confidence)/2 to the power 1/n, Clopper and Pearson (1934) for 0 of n."""
    curve = hazard_curve(Lives.right_censored([4_000], [False], weight=[30]))

    assert curve.survival_lo == pytest.approx([0.025 ** (1 / 30)], rel=1e-9)


def test_one_cell_gives_the_exact_limits_of_its_count():
    """Garwood (1936): 5 events lie between 1.6235 and 11.6683 (checks of the table).

    All 20 belts are seen through the cell, so that its hazard is failures over belts.
    """
    lives = Lives.right_censored([8_000, 8_000], [True, False], weight=[5, 15])

    curve = hazard_curve(lives, width_mi=8_000)

    assert -np.log(curve.survival_hi) == pytest.approx([1.6235 / 20], rel=1e-4)
    assert -np.log(curve.survival_lo) == pytest.approx([11.6683 / 20], rel=1e-4)


def test_after_many_left_the_limit_is_no_tighter_than_the_failures_allow():
    """40 of 1,000 failed early, then all but 2 left: the curve stays as unsure."""
    lives = Lives.right_censored(
        [4_000, 6_000, 60_000], [True, False, False], weight=[40, 958, 2]
    )

    curve = hazard_curve(lives)

    assert curve.survival_lo[0] == pytest.approx(1 - 54.5 / 1_000, abs=2e-3)
    assert curve.survival_lo[-1] < curve.survival_lo[0]
    assert (np.diff(curve.survival_lo) <= 1e-12).all()
