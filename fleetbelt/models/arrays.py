"""The array types that the models take and return, and sums by group."""

from dataclasses import dataclass
from typing import Self

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
    return np.bincount(group, value, n_groups).astype(float, copy=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Groups whose values stand together, so that sums need no look-up.

    Attributes
    ----------
    number : ndarray of int, shape (n,)
        Group of each value, never falling.
    first : ndarray of int, shape (n_present,)
        Place of the first value of each group that has any.
    """

    number: IntArray
    first: IntArray

    @classmethod
    def of(cls, number: IntArray) -> Self:
        """Find where each group begins."""
        return cls(number=number, first=np.flatnonzero(np.diff(number, prepend=-1)))

    def sums(self, value: FloatArray, n_groups: int) -> FloatArray:
        """Add up values by group, as `sum_by` does."""
        total = np.zeros(n_groups)
        if self.first.size:
            total[self.number[self.first]] = np.add.reduceat(value, self.first)
        return total
