"""The readings of belts as runs: from one known setting to the next adjustment."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
import polars as pl

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.drift_readings import Clock, Conditions, Effects, clock_time


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One more coefficient, by how it enters each row of the readings.

    Attributes
    ----------
    drift : ndarray of float, shape (n_rows,), or None
        Added loss per unit of the clock over the interval that ends at the row.
    found, left : ndarray of float, shape (n_rows,), or None
        By how much the found and the left reading show too much.
    """

    drift: FloatArray | None = None
    found: FloatArray | None = None
    left: FloatArray | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What gauges showed.

    Attributes
    ----------
    log : ndarray of float, shape (n,)
        Log readings, N, less effects known beforehand.
    share : ndarray of float, shape (n,)
        Their variance in those of one reading: 1/n of n that were averaged.
    apart_var : ndarray of float, shape (n,)
        Variance beside that, from corrections that err apart.
    excess : ndarray of float, shape (n_terms, n), or None
        By how much they show too much, per unit of each coefficient; None for nothing.
    """

    log: FloatArray
    share: FloatArray
    apart_var: FloatArray
    excess: FloatArray | None

    def __getitem__(self, places: slice | IntArray) -> "Shown":
        """Return some of them."""
        return Shown(
            log=self.log[places],
            share=self.share[places],
            apart_var=self.apart_var[places],
            excess=None if self.excess is None else self.excess[:, places],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """What happened between one reading and another.

    Attributes
    ----------
    fall : ndarray of float, shape (n_terms, n)
        Fall of the log tension per unit of each coefficient: time on the clock (drift),
        0 or 1 (run-in), further terms.
    known_fall : ndarray of float, shape (n,)
        Fall from effects known beforehand.
    moves : ndarray of float, shape (n,)
        Intervals between visits with miles in them.
    """

    fall: FloatArray
    known_fall: FloatArray
    moves: FloatArray

    def __getitem__(self, places: slice | IntArray) -> "Passed":
        """Return some of them."""
        return Passed(
            fall=self.fall[:, places],
            known_fall=self.known_fall[places],
            moves=self.moves[places],
        )

    def added_up(self, starts: IntArray) -> "Passed":
        """Sum the intervals from each start to the next."""
        if starts.size == 0:
            return self
        return Passed(
            fall=np.add.reduceat(self.fall, starts, axis=1),
            known_fall=np.add.reduceat(self.known_fall, starts),
            moves=np.add.reduceat(self.moves, starts),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """The readings of some belts, run by run, runs with most found readings first.

    A run begins where the tension gets known, by what an adjustment left or by the
    first reading after it was not, and ends at the next adjustment. Given the
    coefficients and the belt's own drift, runs are independent. Found readings of
    position k are ``[ends[k], ends[k + 1])``; the i-th of them belongs to run i, so
    that those that still go on at a position are the first of the runs.

    Attributes
    ----------
    begun : Shown
        The reading that begins each run.
    belt : ndarray of int, shape (n_runs,)
        Place of its belt, in the frame's order of belts.
    ends : ndarray of int, shape (n_positions + 1,)
        Where the found readings of each position begin.
    row : ndarray of int, shape (n_found,)
        Row of the frame of each found reading that the run's earlier ones foretell.
    found : Shown
        Those readings.
    before : Passed
        Between each and the run's reading before it.
    model, n_found : ndarray of int, shape (n_belts,)
        ``model_no`` of each belt, in the frame's order of belts, and how many of those
        readings it has.
    last : ndarray of int, shape (n_belts,)
        The run in which each belt's records end; -1 where they end unknown.
    after : Passed
        From that run's last reading to each belt's last row.
    """

    begun: Shown
    belt: IntArray
    ends: IntArray
    row: IntArray
    found: Shown
    before: Passed
    model: IntArray
    n_found: IntArray
    last: IntArray
    after: Passed

    @classmethod
    def of(
        cls,
        readings: pl.DataFrame,
        *,
        clock: Clock = "miles",
        effects: Effects | None = None,
        terms: Sequence[Term] = (),
    ) -> Self:
        """Cut the rows of whole belts, to `READINGS`, into runs."""
        effects = effects or Effects()
        belt_no = readings["belt_no"].to_numpy()
        first = np.flatnonzero(np.diff(belt_no, prepend=-1))
        cuts = _Cuts.of(readings, first)
        passed, found, left = _laid_out(readings, clock, effects, terms)
        begun = np.flatnonzero(cuts.begins)
        n_found = np.bincount(cuts.run[cuts.is_foretold], minlength=begun.size)
        is_kept = n_found > 0
        is_kept[cuts.last[cuts.last >= 0]] = True
        kept = np.flatnonzero(is_kept)
        order = kept[np.argsort(-n_found[kept], kind="stable")]
        place = np.full(begun.size + 1, -1)  # of each run, and none for none
        place[order] = np.arange(order.size)
        ends, nth = _by_position(n_found[order], (np.cumsum(n_found) - n_found)[order])
        row = np.flatnonzero(cuts.is_foretold)[nth]
        starts = np.flatnonzero(cuts.is_after_known)
        sums, which = passed.added_up(starts), np.cumsum(cuts.is_after_known) - 1
        last_row = np.append(first[1:], belt_no.size)[: first.size] - 1
        is_over = cuts.is_known_by[last_row]
        after = sums[which[last_row]]
        begun = begun[order]
        return cls(
            begun=_either(found[begun], left[begun], is_left=cuts.resets[begun]),
            belt=cuts.belt[begun],
            ends=ends,
            row=row,
            found=found[row],
            before=sums[which[row]],
            model=readings["model_no"].to_numpy()[first].astype(np.int64),
            n_found=np.bincount(cuts.belt[row], minlength=first.size),
            last=place[cuts.last],
            after=Passed(
                fall=after.fall * ~is_over,
                known_fall=after.known_fall * ~is_over,
                moves=after.moves * ~is_over,
            ),
        )

    def by_belt(self, values: FloatArray) -> FloatArray:
        """Sum values of runs over those of each belt, along the last axis."""
        *others, n_runs = values.shape
        sums = np.empty((*others, self.model.size))
        for place in np.ndindex(*others):
            sums[place] = np.bincount(self.belt[:n_runs], values[place], sums.shape[-1])
        return sums


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cuts:
    """Where runs begin and what belongs to them; arrays by row, `last` by belt."""

    belt: IntArray  # the row's, in the frame's order of belts
    resets: BoolArray
    begins: BoolArray  # a run begins by a reading of this row
    is_foretold: BoolArray  # the found reading continues a run
    run: IntArray  # the latest run begun before the row
    is_known_by: BoolArray  # the row has a reading that begins or continues a run
    is_after_known: BoolArray  # a belt's first row, or one after such a row
    last: IntArray  # the run in which the belt ends, or -1

    @classmethod
    def of(cls, readings: pl.DataFrame, first: IntArray) -> Self:
        has_found, has_left, resets = (
            readings.select(column).to_series().to_numpy()
            for column in (
                pl.col("found_log").is_not_null(),
                pl.col("left_log").is_not_null() & pl.col("resets"),
                pl.col("resets"),
            )
        )
        is_first = np.zeros(resets.size, dtype=bool)
        is_first[first] = True
        opens = is_first | np.append(False, resets[:-1])[: resets.size]
        place = np.arange(resets.size)
        opened = np.maximum.accumulate(np.where(opens, place, 0))
        n_found = np.cumsum(has_found) - has_found
        was_left = has_left[opened - 1] & ~is_first[opened]
        is_known = was_left | (n_found > n_found[opened])
        begins = has_left | (has_found & ~is_known & ~resets)
        is_foretold = has_found & is_known
        is_known_by = begins | is_foretold
        run = np.cumsum(begins) - 1
        last_row = np.append(first[1:], resets.size)[: first.size] - 1
        ends_known = np.where(resets, has_left, is_known | has_found)[last_row]
        return cls(
            belt=np.cumsum(is_first) - 1,
            resets=resets,
            begins=begins,
            is_foretold=is_foretold,
            run=run - begins,
            is_known_by=is_known_by,
            is_after_known=is_first | np.append(False, is_known_by[:-1])[: resets.size],
            last=np.where(ends_known, run[last_row], -1),
        )


def _laid_out(
    readings: pl.DataFrame, clock: Clock, effects: Effects, terms: Sequence[Term]
) -> tuple[Passed, Shown, Shown]:
    """Lay out what passed before each row, and what it found and left, if anything."""
    miles = readings["miles"].to_numpy()
    before = Conditions.after(readings).before()
    time = clock_time(before.since_set_mi, miles, clock)
    crosses = readings["crosses_run_in"].to_numpy().astype(float)
    fall = [time, crosses, *(time * _or_zeros(t.drift, time) for t in terms)]
    hot = effects.hot * readings["is_hot"].to_numpy()
    level = readings["set_level"]
    too_much = effects.left_shift + effects.left_slope * level.fill_null(0.0).to_numpy()
    kept = np.where(level.is_null(), 1.0, 1.0 - effects.left_slope)
    apart_var = readings["u_apart"].to_numpy() ** 2
    found, left = (
        readings[f"{phase}_log"].to_numpy() - hot for phase in ("found", "left")
    )
    found_share, left_share = (
        (1.0 / readings[f"{phase}_n"]).to_numpy() for phase in ("found", "left")
    )
    return (
        Passed(
            fall=np.stack(fall),
            known_fall=time * before.added_drift(effects),
            moves=(miles > 0).astype(float),
        ),
        Shown(
            log=found,
            share=found_share,
            apart_var=apart_var,
            excess=_excess([t.found for t in terms], found),
        ),
        Shown(
            log=left - too_much,
            share=kept * left_share,
            apart_var=apart_var,
            excess=_excess([t.left for t in terms], left),
        ),
    )


def _by_position(n: IntArray, first: IntArray) -> tuple[IntArray, IntArray]:
    """Return the ends of the positions, and which found readings stand at them."""
    n_running = n.size - np.cumsum(np.bincount(n))[:-1]
    places = [first[:m] + k for k, m in enumerate(n_running)]
    none = np.empty(0, dtype=np.int64)
    return np.append(0, np.cumsum(n_running)), np.concatenate([none, *places])


def _either(found: Shown, left: Shown, *, is_left: BoolArray) -> Shown:
    """Take what was left or, elsewhere, what was found."""
    if found.excess is None or left.excess is None:
        excess = None
    else:
        excess = np.where(is_left, left.excess, found.excess)
    return Shown(
        log=np.where(is_left, left.log, found.log),
        share=np.where(is_left, left.share, found.share),
        apart_var=found.apart_var,
        excess=excess,
    )


def _or_zeros(column: FloatArray | None, like: FloatArray) -> FloatArray:
    return np.zeros_like(like) if column is None else column


def _excess(columns: list[FloatArray | None], like: FloatArray) -> FloatArray | None:
    """Rows of reading excess by coefficient; drift and run-in have none."""
    if not columns:
        return None
    blank = np.zeros_like(like)
    return np.stack([blank, blank, *(_or_zeros(column, blank) for column in columns)])
