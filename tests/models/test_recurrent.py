"""Mean cumulative events: references, edges, refusals, invariances, coverage."""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="index, operator"

import numpy as np
import pytest

from fleetbelt.errors import InputError
from fleetbelt.models.recurrent import mean_cumulative


def random_belts(seed: int, n: int = 60):
    """Entry and end of belts and their events, with many ties."""
    rng = np.random.default_rng(seed)
    entry = rng.integers(0, 30, n) * (rng.random(n) < 0.4)
    end = entry + rng.integers(0, 80, n)
    belt = np.repeat(np.arange(n), rng.poisson(3, n))
    at = np.floor(entry[belt] + rng.random(belt.size) * (end - entry + 1)[belt])
    return entry, end, belt, at


def slow_curve(entry, end, belt, at):
    """Nelson's estimate and the robust variance, term by term of their formulas."""
    seen = ((at > entry[belt]) | (entry[belt] == 0)) & (at <= end[belt])
    belt, at = belt[seen], at[seen]
    mean, residual, means, variances = 0.0, np.zeros(end.size), [], []
    for mile in np.unique(at):
        is_at_risk = ((entry < mile) | (entry == 0)) & (mile <= end)
        n, d_i = is_at_risk.sum(), np.bincount(belt[at == mile], minlength=end.size)
        mean += d_i.sum() / n
        residual += is_at_risk * (d_i - d_i.sum() / n) / n
        means.append(mean)
        variances.append((residual**2).sum())
    return np.unique(at), np.array(means), np.array(variances)


@pytest.mark.parametrize("seed", range(4))
def test_the_curve_and_its_variance_are_those_of_the_formulas(seed):
    entry, end, belt, at = random_belts(seed)

    curve = mean_cumulative(end, belt, at, entry_mi=entry)

    miles, means, variances = slow_curve(entry, end, belt, at)
    assert curve.miles[: miles.size] == pytest.approx(miles)
    assert curve.mean[: miles.size] == pytest.approx(means, rel=1e-12)
    assert curve.standard_error[: miles.size] ** 2 == pytest.approx(variances, rel=1e-9)


def test_a_complaint_on_the_mile_of_fitting_counts_for_a_belt_seen_from_the_start():
    curve = mean_cumulative([10, 10], [0], [0])

    assert list(curve.miles) == [0, 10]
    assert list(curve.at_risk) == [2, 2]
    assert list(curve.mean) == [0.5, 0.5]


def test_a_complaint_on_the_mile_of_a_late_entry_does_not_count():
    curve = mean_cumulative([10, 10], [0], [4], entry_mi=[4, 0])

    assert curve.events == 0
    assert "No event happened" in curve.reason


def test_a_belt_is_at_risk_at_the_mile_at_which_it_ends():
    curve = mean_cumulative([10, 20], [1], [10])

    assert list(curve.at_risk) == [2, 1]


def test_the_curve_runs_flat_to_the_last_observed_mile():
    curve = mean_cumulative([10, 20, 20], [0, 1], [5, 6])

    assert list(curve.miles) == [5, 6, 20]
    assert curve.mean[1] == curve.mean[2]
    assert curve.at_risk[2] == 2


@pytest.mark.parametrize(
    ("end", "belt", "at", "steps", "said"),
    [
        ([], [], [], 0, "no belts"),
        ([10], [], [], 1, "No event happened"),
        ([0], [], [], 1, "No event happened"),
        ([10], [0, 0], [3, 4], 3, "no interval"),
    ],
)
def test_where_there_is_nothing_to_say_a_sentence_says_so(end, belt, at, steps, said):
    curve = mean_cumulative(end, belt, at)

    assert curve.miles.size == steps
    assert np.isfinite(curve.mean).all()
    assert said in curve.reason


def test_one_belt_has_no_interval():
    curve = mean_cumulative([10], [0, 0], [3, 4])

    assert list(curve.mean) == [1, 2, 2]
    assert curve.mean_lo is None
    assert curve.mean_hi is None


def test_thinning_keeps_the_ends():
    entry, end, belt, at = random_belts(5)

    whole = mean_cumulative(end, belt, at, entry_mi=entry)
    thin = mean_cumulative(end, belt, at, entry_mi=entry, most_steps=7)

    assert thin.miles.size == 7
    assert (thin.miles[0], thin.miles[-1]) == (whole.miles[0], whole.miles[-1])
    assert thin.mean_hi[-1] == whole.mean_hi[-1]


@pytest.mark.parametrize(
    ("end", "at", "entry"), [([5], [1], [9]), ([5], [-1], [0]), ([np.nan], [1], [0])]
)
def test_miles_that_cannot_be_are_refused(end, at, entry):
    with pytest.raises(InputError, match="wrong mile"):
        mean_cumulative(end, [0], at, entry_mi=entry)


def test_splitting_a_belt_leaves_the_mean():
    """The variance changes: the halves no longer count as one belt."""
    entry, end, belt, at = random_belts(6)
    s = (entry + end) // 2
    late = at > s[belt]

    whole = mean_cumulative(end, belt, at, entry_mi=entry)
    parts = mean_cumulative(
        np.concatenate([s, end]),
        np.where(late, belt + 60, belt),
        at,
        entry_mi=np.concatenate([entry, s]),
    )

    assert parts.mean == pytest.approx(whole.mean, rel=1e-12)


def test_duplicating_all_belts_halves_the_variance():
    entry, end, belt, at = random_belts(7)

    one = mean_cumulative(end, belt, at, entry_mi=entry)
    two = mean_cumulative(
        np.tile(end, 2),
        np.concatenate([belt, belt + 60]),
        np.tile(at, 2),
        entry_mi=np.tile(entry, 2),
    )

    assert two.mean == pytest.approx(one.mean, rel=1e-12)
    assert 2 * two.standard_error**2 == pytest.approx(one.standard_error**2, rel=1e-9)


def test_the_order_of_belts_and_events_does_not_matter():
    entry, end, belt, at = random_belts(8)
    rng = np.random.default_rng(0)
    new, events = rng.permutation(60), rng.permutation(at.size)
    place = np.argsort(new)

    one = mean_cumulative(end, belt, at, entry_mi=entry)
    other = mean_cumulative(
        end[new], place[belt[events]], at[events], entry_mi=entry[new]
    )

    assert other.standard_error == pytest.approx(one.standard_error, rel=1e-9)


def test_limits_hold_the_truth_where_events_cluster_and_poisson_limits_do_not():
    """150 belts with gamma rates, 400 fleets."""
    rng = np.random.default_rng(9)
    held, held_by_poisson = 0, 0
    for _ in range(400):
        end = rng.uniform(20, 100, 150)
        rate = rng.gamma(0.5, 0.06, 150)
        belt = np.repeat(np.arange(150), rng.poisson(rate * end))
        curve = mean_cumulative(end, belt, rng.random(belt.size) * end[belt])
        last = np.searchsorted(curve.miles, 50.0) - 1
        held += curve.mean_lo[last] <= 1.5 <= curve.mean_hi[last]
        poisson = np.sqrt(np.cumsum(1 / curve.at_risk**2)[last]) / curve.mean[last]
        held_by_poisson += abs(np.log(curve.mean[last] / 1.5)) < 1.96 * poisson

    assert 0.92 < held / 400 < 0.98
    assert held_by_poisson / 400 < 0.80


def test_without_events_the_upper_limit_is_that_of_none():
    """Garwood (1936): none counted leaves up to 3.6889 events among the belts left."""
    curve = mean_cumulative([9_000, 20_000, 20_000], [], [])

    assert curve.mean.tolist() == [0.0]
    assert curve.mean_lo == pytest.approx([0.0])
    assert curve.mean_hi == pytest.approx([3.6889 / 2], abs=1e-4)
