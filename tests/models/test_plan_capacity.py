"""Minutes a week: even where a visit fits, put together where it does not."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from fleetbelt.models.plan_capacity import weekly_capacity


def test_a_depot_with_room_for_a_visit_has_the_same_minutes_every_week():
    minutes = weekly_capacity(np.array([411.5]), np.array([120.0]), n_weeks=26)

    assert minutes.tolist() == [[411.0] * 26]


def test_a_small_depot_puts_weeks_together_so_that_a_visit_fits():
    minutes = weekly_capacity(np.array([20.0]), np.array([60.0]), n_weeks=9)

    assert minutes.tolist() == [[60, 0, 0, 60, 0, 0, 60, 0, 0]]


def test_a_depot_without_minutes_has_none_in_any_week():
    assert not weekly_capacity(np.zeros(2), np.array([60.0, 0.0]), n_weeks=26).any()


@given(st.floats(0, 500), st.floats(1, 300))
def test_a_depot_is_dealt_what_it_has_and_at_most_a_visit_more(
    weekly: float, longest: float
):
    minutes = weekly_capacity(np.array([weekly]), np.array([longest]), n_weeks=26)[0]

    dealt = np.cumsum(minutes)
    assert (dealt <= weekly * np.arange(1, 27) + longest + 1e-6).all()
    assert dealt[-1] >= 26 * weekly - 26
