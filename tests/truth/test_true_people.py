"""Technicians' habits, held against their truth."""

import numpy as np
import polars as pl
import pytest

from tests.truth.conftest import KnownFleet


@pytest.fixture(scope="module")
def people(fleet: KnownFleet) -> pl.DataFrame:
    return (
        fleet.results("results.technician_results")
        .join(fleet.truth("technicians"), on="technician_id", suffix="_true")
        .with_columns(habit_pct=100 * (pl.col("habit_log").exp() - 1))
        .drop_nulls("bias_pct")
    )


def rms(people: pl.DataFrame, column: str) -> float:
    off = people[column].to_numpy() - people["habit_pct"].to_numpy()
    return float(np.sqrt(np.mean(off**2)))


def test_habits_are_found_to_under_one_point(people: pl.DataFrame):
    assert people.height >= 15
    assert rms(people, "bias_pct") < 1.0


def test_what_was_left_is_not_the_habit(people: pl.DataFrame):
    """The naive mean of corrected settings fails the same check."""
    assert rms(people, "left_bias_pct") > 1.0


def test_intervals_of_habits_hold_their_truth(people: pl.DataFrame):
    """0.95 of a few dozen: at least 0.85 with a chance of over 0.99."""
    is_inside = people["habit_pct"].is_between(people["bias_lo"], people["bias_hi"])

    assert is_inside.sum() >= 0.85 * people.height


def test_who_corrects_for_the_gauge_is_told_where_it_can_be(people: pl.DataFrame):
    """Right: on the true side of a half."""
    told = people.drop_nulls("corrects_share")
    is_right = (told["corrects_share"] > 0.5) == (told["corrects_share_true"] > 0.5)

    assert told.height > 0
    assert is_right.sum() >= 0.98 * told.height


def test_expectations_of_holding_sum_to_what_held(people: pl.DataFrame):
    seen = people.filter(pl.col("hold_n") > 0)
    held = (seen["hold_share"] * seen["hold_n"]).sum()
    expected = (seen["hold_expected"] * seen["hold_n"]).sum()

    assert expected == pytest.approx(held, rel=1e-3)
