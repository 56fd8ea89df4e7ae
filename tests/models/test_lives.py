"""Belt lives: what is taken in, what is tidied, what is refused."""

import numpy as np
import pytest

from fleetbelt.errors import InputError
from fleetbelt.models.lives import End, Lives


def test_an_interval_of_no_length_is_an_exact_life():
    lives = Lives.of([End.INTERVAL], [5_000], [5_000])

    assert lives.end[0] == End.EXACT


def test_a_life_of_no_miles_is_taken_as_half_a_mile():
    lives = Lives.right_censored([0, 0], [True, False])

    assert list(lives.lower_mi) == [0.5, 0.0]


def test_upper_ends_are_read_for_intervals_and_running_belts_only():
    ends = [End.CENSORED, End.EXACT, End.INTERVAL, End.RUNNING]
    lives = Lives.of(ends, [1, 2, 3, 4], [np.nan, np.nan, 30, 40])

    assert list(lives.upper_mi) == [1, 2, 30, 40]


def test_belts_are_counted_by_weight():
    ends = [End.CENSORED, End.EXACT, End.INTERVAL, End.RUNNING]
    lives = Lives.of(ends, [1, 2, 3, 4], [1, 2, 30, 40], weight=[4, 3, 9, 2])

    counts = (lives.n, lives.failures, lives.running, lives.broken_share)
    assert counts == (18, 12, 2, 0.25)


def test_without_failures_every_failure_is_taken_to_break_on_the_road():
    assert Lives.right_censored([1], [False]).broken_share == 1.0


def test_grouping_adds_up_the_weights_of_equal_rows():
    lives = Lives.of([1, 0, 1, 1], [10, 10, 10, 11], weight=[1, 1, 2, 1])

    grouped = lives.grouped()

    rows = zip(grouped.end, grouped.lower_mi, grouped.weight, strict=True)
    assert sorted(rows) == [(0, 10, 1), (1, 10, 3), (1, 11, 1)]


def test_grouping_does_not_depend_on_the_order_of_rows():
    rng = np.random.default_rng(0)
    end, lower = rng.integers(0, 4, 200), rng.integers(0, 3_000, 200)
    upper, order = lower + rng.integers(0, 900, 200), rng.permutation(200)

    one = Lives.of(end, lower, upper).grouped(250)
    other = Lives.of(end[order], lower[order], upper[order]).grouped(250)

    assert (one.lower_mi == other.lower_mi).all()
    assert (one.weight == other.weight).all()
    assert one.weight.size < 200


@pytest.mark.parametrize(
    ("end", "lower", "upper", "entry", "weight", "problem"),
    [
        (End.EXACT, np.nan, 0, 0, 1, "not a number"),
        (End.RUNNING, 5, np.nan, 0, 1, "not a number"),
        (End.EXACT, -1, 0, 0, 1, "negative mile"),
        (End.INTERVAL, 5, 4, 0, 1, "upper end below"),
        (End.RUNNING, 5, 9, 7, 1, "entry after"),
        (End.EXACT, 5, 0, 0, -1, "weight"),
    ],
)
def test_a_life_that_contradicts_itself_is_refused(
    end, lower, upper, entry, weight, problem
):
    with pytest.raises(InputError, match=problem):
        Lives.of([end], [lower], [upper], entry_mi=entry, weight=weight)
