"""What the drift model reads: one row per visit of a belt that says something."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal, Self

import numpy as np
import polars as pl

from fleetbelt.errors import StoreError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray

READINGS: Final = pl.Schema(
    {
        "belt_no": pl.Int32(),  # 0..n_belts-1, rows sorted by (belt_no, visit_no)
        "model_no": pl.Int32(),  # 0..n_models-1, one for a belt
        "visit_no": pl.Int32(),  # rising within a belt
        "miles": pl.Float32(),  # since the belt's previous row, mi; 0 at its first
        "crosses_run_in": pl.Boolean(),  # the run-in lies between that row and this
        "found_log": pl.Float32(),  # log corrected found tension, N, or null
        "found_n": pl.Int16(),  # readings averaged in it, or null
        "left_log": pl.Float32(),  # log corrected tension left by an adjustment, N
        "left_n": pl.Int16(),  # readings averaged in it, or null
        "resets": pl.Boolean(),  # adjusted here; to the unknown if left_log is null
        "u_corr": pl.Float32(),  # relative sd of this row's gauge correction
        "u_apart": pl.Float32(),  # the same, where it errs anew at each reading
        "is_hot": pl.Boolean(),  # read on a hot belt
        "duty_no": pl.Int8(),  # duty class of the vehicle, 0.., one for a belt
        "refitted": pl.Boolean(),  # taken off and put back, at this visit or before
        "set_level": pl.Float32(),  # log(left / middle of its range) where it resets
    }
)
_NUMBERS: Final = ("found_log", "left_log", "set_level")  # null where there is none
_COUNTS: Final = ("found_n", "left_n")
_NULLABLE: Final = (*_NUMBERS, *_COUNTS)

BLOCK_BELTS: Final = 10_000  # worked on at a time, so that memory is bounded

UNSET_MI: Final = 10_000.0  # a belt ran before its records; common practice, no source

Clock = Literal["miles", "log_miles"]
CLOCKS: Final[tuple[Clock, Clock]] = ("miles", "log_miles")


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """Departures from a model's drift and from true readings, known beforehand.

    Attributes
    ----------
    hot : float
        Log shift of a reading taken on a hot belt.
    refitted : float
        Added drift of a refitted belt, per unit of the clock.
    left_shift, left_slope : float
        By how much a left reading shows too much, and by which share of its set level
        over `left_level`: 1 less the share of a left reading's spread that the tension
        had, so that its variance is smaller by that share too.
    left_level : tuple of float
        Mean set level of each group of settings, as `setting_groups` numbers them;
        groups beyond it have 0.
    set_level : float
        Added drift per unit of log set level, per unit of the clock.
    duty : tuple of float
        Added drift of each duty class, per unit of the clock; classes beyond it get 0.
    """

    hot: float = 0.0
    left_shift: float = 0.0
    left_slope: float = 0.0
    left_level: tuple[float, ...] = ()
    refitted: float = 0.0
    set_level: float = 0.0
    duty: tuple[float, ...] = ()

    @property
    def add_drift(self) -> bool:
        """Whether any of them adds to a belt's drift."""
        return bool(self.refitted or self.set_level or any(self.duty))


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """How a belt runs from each row on, until its next row.

    Attributes
    ----------
    since_set_mi : ndarray of float, shape (n_rows,)
        Miles since the last setting, mi; where that is not in the records, since the
        belt's first row and `UNSET_MI` more.
    set_level : ndarray of float, shape (n_rows,)
        Log of that setting relative to the middle of the range it was held to; 0 if
        unknown.
    refitted : ndarray of bool, shape (n_rows,)
        Whether the belt has been taken off and put back.
    duty_no : ndarray of int, shape (n_rows,)
        Duty class of the vehicle.
    """

    since_set_mi: FloatArray
    set_level: FloatArray
    refitted: BoolArray
    duty_no: IntArray

    @classmethod
    def after(cls, readings: pl.DataFrame, rows: IntArray | None = None) -> Self:
        """Work out the conditions after rows, or all, of a frame of whole belts."""
        belt_no, resets = readings["belt_no"].to_numpy(), readings["resets"].to_numpy()
        starts = resets.copy()
        starts[rows_of_belts(belt_no)[0]] = True
        here = slice(None) if rows is None else rows
        since = np.flatnonzero(starts)[np.cumsum(starts)[here] - 1]
        is_set, level = resets[since], readings["set_level"].to_numpy()[since]
        run_mi = np.cumsum(readings["miles"].to_numpy(), dtype=float)
        return cls(
            since_set_mi=run_mi[here] - run_mi[since] + UNSET_MI * ~is_set,
            set_level=np.where(is_set & ~np.isnan(level), level, 0.0),
            refitted=readings["refitted"].to_numpy()[here],
            duty_no=readings["duty_no"].to_numpy()[here],
        )

    def before(self) -> "Conditions":
        """Conditions over the interval that ends at each row (no matter at a first)."""
        return Conditions(
            since_set_mi=np.roll(self.since_set_mi, 1),
            set_level=np.roll(self.set_level, 1),
            refitted=np.roll(self.refitted, 1),
            duty_no=np.roll(self.duty_no, 1),
        )

    def added_drift(self, effects: Effects) -> FloatArray:
        """Drift beside the model's and the belt's own, per unit of the clock."""
        n_duties = max(len(effects.duty), int(self.duty_no.max(initial=0)) + 1)
        by_duty = np.zeros(n_duties)
        by_duty[: len(effects.duty)] = effects.duty
        return (
            effects.refitted * self.refitted
            + effects.set_level * self.set_level
            + by_duty[self.duty_no]
        )


def setting_groups(readings: pl.DataFrame, rows: IntArray | slice) -> IntArray:
    """Return numbers of settings by model, and by whether the run-in is to come.

    Parameters
    ----------
    readings : polars.DataFrame
        To `READINGS`, whole belts.
    rows : ndarray of int, shape (n,), or slice
        Rows of settings.

    Returns
    -------
    ndarray of int, shape (n,)
        Twice the model's number, and one more for an install that is followed by
        another row: those are set to another range.
    """
    run_in_ahead = np.append(readings["crosses_run_in"].to_numpy()[1:], False)
    model_no = readings["model_no"].to_numpy()[rows].astype(np.int64)
    group: IntArray = 2 * model_no + run_in_ahead[rows]
    return group


def clock_time(since_set_mi: FloatArray, miles: FloatArray, clock: Clock) -> FloatArray:
    """Return by how much the drift clock advances over some miles.

    Parameters
    ----------
    since_set_mi : ndarray of float, shape (n,)
        Miles from the last setting to the start; only ``log_miles`` looks at them, mi.
    miles : ndarray of float, shape (n,)
        Miles driven from there, mi.
    clock : {'miles', 'log_miles'}
        Thousands of miles, or ``log(1 + s / 1000)`` of the miles s since setting.

    Returns
    -------
    ndarray of float, shape (n,)
        Time on the clock; in the first miles after a setting the two agree.
    """
    if clock == "miles":
        return miles / 1e3
    return np.log1p(miles / (1e3 + since_set_mi))


def clock_miles(since_set_mi: FloatArray, time: FloatArray, clock: Clock) -> FloatArray:
    """Return the miles over which the drift clock advances by some time, mi.

    Parameters
    ----------
    since_set_mi : ndarray of float, shape (n,)
        Miles from the last setting to the start; only ``log_miles`` looks at them, mi.
    time : ndarray of float, shape (n,)
        Time on the clock.
    clock : {'miles', 'log_miles'}
        As in `clock_time`, whose inverse this is.

    Returns
    -------
    ndarray of float, shape (n,)
        Miles, mi; infinite beyond the largest number.
    """
    if clock == "miles":
        return time * 1e3
    with np.errstate(over="ignore"):
        return np.expm1(time) * (1e3 + since_set_mi)


def checked_readings(readings: pl.DataFrame) -> pl.DataFrame:
    """Return the readings as the fits take them, or refuse them.

    Parameters
    ----------
    readings : polars.DataFrame
        One row per visit that carries information, to `READINGS`.

    Returns
    -------
    polars.DataFrame
        The columns of `READINGS`, in its order and types, without nulls: NaN where a
        number is missing, 1 where a count is.

    Raises
    ------
    StoreError
        If a column is missing, empty where it may not be, out of order or impossible.
    """
    missing = [name for name in READINGS if name not in readings.columns]
    if missing:
        raise _refusal(fault="lack columns", names=missing)
    frame = readings.select(pl.col(name).cast(t) for name, t in READINGS.items())
    is_broken = frame.select(**_rules()).row(0, named=True)
    broken = [rule.replace("_", " ") for rule in is_broken if is_broken[rule]]
    if broken:
        raise _refusal(fault="have", names=broken)
    return frame.with_columns(
        pl.col(_NUMBERS).fill_null(np.nan), pl.col(_COUNTS).fill_null(1)
    )


def rows_of_belts(belt_no: IntArray) -> tuple[IntArray, IntArray]:
    """Return where each belt begins in rows that stand belt by belt, and its rows.

    Parameters
    ----------
    belt_no : ndarray of int, shape (n_rows,)
        Belt of each row.

    Returns
    -------
    tuple of two ndarray of int, shape (n_belts,)
        First row of each belt, and how many it has.
    """
    begins = np.append(True, belt_no[1:] != belt_no[:-1])[: belt_no.size]
    first = np.flatnonzero(begins)
    return first, np.diff(first, append=belt_no.size)


def sample_of_belts(
    readings: pl.DataFrame, n_belts: int, rng: np.random.Generator
) -> pl.DataFrame:
    """Return all rows of some random belts that have more than one row.

    Parameters
    ----------
    readings : polars.DataFrame
        To `READINGS`.
    n_belts : int
        How many belts at most.
    rng : numpy.random.Generator
        Draws them, if there are more.

    Returns
    -------
    polars.DataFrame
        Their rows, in the order of the frame.
    """
    first, n_rows = rows_of_belts(readings["belt_no"].to_numpy())
    belts = np.flatnonzero(n_rows > 1)
    if belts.size > n_belts:
        belts = np.sort(rng.choice(belts, n_belts, replace=False))
    return readings[_rows(first[belts], n_rows[belts])]


def copies_of_belts(readings: pl.DataFrame, places: IntArray) -> pl.DataFrame:
    """Copy whole belts, by their places in the frame's order; numbered anew.

    Parameters
    ----------
    readings : polars.DataFrame
        To `READINGS`, with whatever other columns.
    places : ndarray of int, shape (n_copies,)
        Belt of each copy.

    Returns
    -------
    polars.DataFrame
        The rows of one copy after the other; ``belt_no`` counts the copies.
    """
    belts = rows_of_belts(readings["belt_no"].to_numpy())
    first, n_rows = (each[places] for each in belts)
    belt_no = np.repeat(np.arange(places.size, dtype=np.int32), n_rows)
    return readings[_rows(first, n_rows)].with_columns(belt_no=pl.Series(belt_no))


def _rows(first: IntArray, n_rows: IntArray) -> IntArray:
    """Rows of belts that begin at ``first``, one belt after the other."""
    before = np.cumsum(n_rows) - n_rows
    return np.repeat(first - before, n_rows) + np.arange(n_rows.sum())


def blocks_of_belts(readings: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Cut a frame to `READINGS` into whole belts, `BLOCK_BELTS` at a time."""
    first, _ = rows_of_belts(readings["belt_no"].to_numpy())
    cuts = [0, *first[BLOCK_BELTS::BLOCK_BELTS].tolist(), readings.height]
    return (readings[start:end] for start, end in pairwise(cuts))


def _rules() -> dict[str, pl.Expr]:
    """Each rule by its breach, as an expression that is true where it is broken."""
    needed = pl.col([name for name in READINGS if name not in _NULLABLE])
    step = pl.col("belt_no").diff()
    found, left = (
        pl.col(f"{phase}_log").is_not_null()
        & ~(pl.col(f"{phase}_n") >= 1).fill_null(value=False)
        for phase in ("found", "left")
    )
    return {
        "empty_cells": pl.any_horizontal(needed.null_count() > 0),
        "numbers_that_are_not_finite": pl.any_horizontal(
            pl.col(pl.Float32).is_finite().not_().any()
        ),
        "belts_out_of_order": (~step.is_between(0, 1)).any()
        | (pl.col("belt_no").first() != 0),
        "visits_out_of_order": ((step == 0) & (pl.col("visit_no").diff() <= 0)).any(),
        "belts_of_two_models": ((step == 0) & (pl.col("model_no").diff() != 0)).any(),
        "belts_of_two_duties": ((step == 0) & (pl.col("duty_no").diff() != 0)).any(),
        "negative_numbers": pl.any_horizontal(
            pl.col("model_no", "duty_no", "miles", "u_corr", "u_apart").min() < 0
        ),
        "readings_without_a_count": (found | left).any(),
    }


def _refusal(*, fault: str, names: list[str]) -> StoreError:
    return StoreError(
        what=f"The readings for the drift model {fault}: {', '.join(names)}.",
        where="fleetbelt.models.drift_readings.READINGS",
        fix="make the SQL model that feeds the fit deliver that schema.",
    )
