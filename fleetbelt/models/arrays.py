"""The array types that the models take and return, and sums by group."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def sum_by(group: IntArray, value: FloatArray, n_groups: int) -> FloatArray:
    """Add up values by group.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Group of each value, 0 to n_groups - 1.
    value : ndarray of float, shape (n,)
        What to add up.
    n_groups : int
        Groups.

    Returns
    -------
    ndarray of float, shape (n_groups,)
        Sums; 0 for a group without values.
    """
    return np.bincount(group, value, n_groups).astype(float)
