"""What is known about how long each belt ran: the data of every life model."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Self

import numpy as np
import numpy.typing as npt

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray, sum_by


class End(IntEnum):
    """How a belt's life ended, as far as the records say."""

    CENSORED = 0  # removed for another reason, sound, at ``lower_mi``
    EXACT = 1  # broke at ``lower_mi``
    INTERVAL = 2  # failed after ``lower_mi``, by ``upper_mi``: (lower, upper]
    RUNNING = 3  # last seen sound at ``lower_mi``, last odometer ``upper_mi``


@dataclass(frozen=True, slots=True, kw_only=True)
class Lives:
    """Belt lives, one row per belt or per group of belts with the same row.

    Attributes
    ----------
    entry_mi, lower_mi, upper_mi : ndarray of float, shape (n_rows,)
        Miles since fitting at which the belt came under observation (0 unless late),
        and the two ends that ``end`` gives a meaning to.
    end : ndarray of int, shape (n_rows,)
        A value of `End`.
    weight : ndarray of float, shape (n_rows,)
        Belts in the row.
    cell : ndarray of int, shape (n_rows,)
        Group of the row: a row of a regression's design, or a group compared.
    """

    entry_mi: FloatArray
    lower_mi: FloatArray
    upper_mi: FloatArray
    end: IntArray
    weight: FloatArray
    cell: IntArray

    @classmethod
    def of(
        cls,
        end: npt.ArrayLike,
        lower_mi: npt.ArrayLike,
        upper_mi: npt.ArrayLike | None = None,
        *,
        entry_mi: npt.ArrayLike = 0.0,
        weight: npt.ArrayLike = 1.0,
        cell: npt.ArrayLike = 0,
    ) -> Self:
        """Take in columns, check them, and tidy what is degenerate.

        Parameters
        ----------
        end : array_like of int, shape (n_rows,)
            Values of `End`.
        lower_mi, upper_mi : array_like of float, shape (n_rows,)
            See the class; ``upper_mi`` is read for INTERVAL and RUNNING only.
        entry_mi, weight, cell : array_like, shape (n_rows,) or a number
            See the class.

        Returns
        -------
        Lives
            The rows in the order given.

        Raises
        ------
        InputError
            If a row contradicts itself: a missing or negative mile, an upper end below
            the lower, or an entry after the belt was last seen.

        Notes
        -----
        An interval of no length is an exact life. Odometers are whole miles, so an
        exact life of 0 is taken as half a mile.
        """
        ends = np.asarray(end, dtype=np.int64)
        lower = np.asarray(lower_mi, dtype=float)
        has_upper = ends >= End.INTERVAL
        upper = np.where(has_upper, lower if upper_mi is None else upper_mi, lower)
        entry, weights, cells = (
            np.broadcast_to(np.asarray(x), ends.shape) for x in (entry_mi, weight, cell)
        )
        _refuse(~np.isfinite(lower + upper + entry), "a mile that is not a number")
        _refuse((entry < 0) | (lower < 0), "a negative mile")
        _refuse(upper < lower, "an upper end below the lower")
        _refuse(entry > lower, "an entry after the belt was last seen")
        _refuse(~(weights >= 0), "a negative or missing weight")
        ends = np.where((ends == End.INTERVAL) & (upper == lower), End.EXACT, ends)
        lower = np.where((ends == End.EXACT) & (lower == 0), 0.5, lower)
        return cls(
            entry_mi=entry.astype(float),
            lower_mi=lower,
            upper_mi=np.maximum(upper, lower),
            end=ends,
            weight=weights.astype(float),
            cell=cells.astype(np.int64),
        )

    @classmethod
    def right_censored(
        cls,
        miles: npt.ArrayLike,
        is_failure: npt.ArrayLike,
        *,
        entry_mi: npt.ArrayLike = 0.0,
        weight: npt.ArrayLike = 1.0,
        cell: npt.ArrayLike = 0,
    ) -> Self:
        """Take in lives that ended in failure or were cut off, each at a known mile.

        Parameters
        ----------
        miles : array_like of float, shape (n_rows,)
            Life, or miles run when observation ended.
        is_failure : array_like of bool, shape (n_rows,)
            Whether the life ended there.
        entry_mi, weight, cell : array_like, shape (n_rows,) or a number
            See the class.

        Returns
        -------
        Lives
            The rows in the order given.
        """
        end = np.where(np.asarray(is_failure, dtype=bool), End.EXACT, End.CENSORED)
        return cls.of(end, miles, entry_mi=entry_mi, weight=weight, cell=cell)

    def where(self, keep: BoolArray | IntArray) -> Self:
        """Keep some of the rows, by a mask or by their places."""
        return type(self)(
            entry_mi=self.entry_mi[keep],
            lower_mi=self.lower_mi[keep],
            upper_mi=self.upper_mi[keep],
            end=self.end[keep],
            weight=self.weight[keep],
            cell=self.cell[keep],
        )

    def grouped(self, width_mi: float | None = None) -> Self:
        """Merge equal rows, so that a likelihood is worked out once for all of them.

        Parameters
        ----------
        width_mi : float, optional
            Round every mile to a multiple of this first, but those of an exact life
            under 40 widths, whose logarithm would change.

        Returns
        -------
        Lives
            One row per distinct row, in a fixed order, with the weights added up.
        """
        is_kept = np.full(self.end.size, width_mi is None)
        if width_mi is not None:
            is_kept = (self.end == End.EXACT) & (self.lower_mi < 40 * width_mi)
        miles = (self.entry_mi, self.lower_mi, self.upper_mi)
        numbers, levels = zip(
            *(_numbered(x, width_mi or 1.0, is_kept) for x in miles), strict=True
        )
        shape = (int(self.cell.max(initial=0)) + 1, len(End), *map(len, levels))
        row = np.ravel_multi_index((self.cell, self.end, *numbers), shape)
        row, which = np.unique(row, return_inverse=True)
        cell, end, *places = np.unravel_index(row, shape)
        entry, lower, upper = (
            level[place] for level, place in zip(levels, places, strict=True)
        )
        weight = sum_by(which, self.weight, row.size)
        return type(self).of(
            end, lower, upper, entry_mi=entry, weight=weight, cell=cell
        )

    @property
    def n(self) -> int:
        """Belts."""
        return round(float(self.weight.sum()))

    @property
    def failures(self) -> int:
        """Belts known to have failed."""
        is_failure = (self.end == End.EXACT) | (self.end == End.INTERVAL)
        return round(float(self.weight[is_failure].sum()))

    def failures_by(self, n_cells: int) -> IntArray:
        """Count the belts of each cell that are known to have failed."""
        is_failure = (self.end == End.EXACT) | (self.end == End.INTERVAL)
        n = sum_by(self.cell, self.weight * is_failure, n_cells)
        return np.rint(n).astype(np.int64)

    @property
    def running(self) -> int:
        """Belts still running."""
        return round(float(self.weight[self.end == End.RUNNING].sum()))

    @property
    def broken_share(self) -> float:
        """Share of the failures that broke on the road, exactly dated; 1 if none."""
        exact = float(self.weight[self.end == End.EXACT].sum())
        found = float(self.weight[self.end == End.INTERVAL].sum())
        return exact / (exact + found) if exact + found else 1.0


def _numbered(
    miles: FloatArray, width_mi: float, is_kept: BoolArray
) -> tuple[IntArray, FloatArray]:
    """Give numbers to rounded miles, and after them to those that are kept."""
    number = np.rint(np.where(is_kept, 0.0, miles) / width_mi).astype(np.int64)
    n = int(number.max(initial=0)) + 1
    kept, place = np.unique(miles[is_kept], return_inverse=True)
    number[is_kept] = n + place
    return number, np.concatenate([width_mi * np.arange(n), kept])


def _refuse(is_wrong: BoolArray, problem: str) -> None:
    if is_wrong.any():
        raise InputError(
            what=f"A belt life has {problem}.",
            where=f"row {int(np.argmax(is_wrong))} of the lives given to the model",
            fix="check how the lives are built from the belts.",
        )
