"""How many minutes a depot has for belt work in each week of a plan."""

import numpy as np

from fleetbelt.models.arrays import FloatArray


def weekly_capacity(
    weekly_minutes: FloatArray, longest_minutes: FloatArray, *, n_weeks: int
) -> FloatArray:
    """Return the minutes of each week; a small depot puts several weeks' together.

    Parameters
    ----------
    weekly_minutes : ndarray of float, shape (n_depots,)
        Minutes a week on average, 0 or more.
    longest_minutes : ndarray of float, shape (n_depots,)
        Length of the longest visit that may come.
    n_weeks : int
        Weeks planned.

    Returns
    -------
    ndarray of float, shape (n_depots, n_weeks)
        Whole minutes, the same in every week, where the longest visit fits into them.
        Else the minutes of several weeks are put into the first of them, one longest
        visit at a time, so that a depot with 20 minutes a week is given an hour every
        third week rather than none for ever.
    """
    even = np.floor(weekly_minutes)[:, None] + np.zeros(n_weeks)
    longest = np.maximum(longest_minutes, 1.0)[:, None]
    so_far = weekly_minutes[:, None] * np.arange(n_weeks + 1)
    visits = np.diff(np.ceil(so_far / longest - 1e-9), axis=1)
    return np.where(weekly_minutes[:, None] < longest, visits * longest, even)
