"""The readings of belts as runs: from one known setting to the next adjustment."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Self

import numpy as np
import polars as pl

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.drift_readings import Clock, Conditions, Effects, clock_time


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
    excess : ndarray of float, shape (n_shown, n)
        By how much they show too much, per unit of each coefficient of that.
    """

    log: FloatArray
    share: FloatArray
    apart_var: FloatArray
    excess: FloatArray

    def __getitem__(self, places: slice | IntArray) -> "Shown":
        """Return some of them."""
        return Shown(
            log=self.log[places],
            share=self.share[places],
            apart_var=self.apart_var[places],
            excess=self.excess[:, places],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """What happened between one reading and another.

    Attributes
    ----------
    fall : ndarray of float, shape (2 + n_added, n)
        Fall of the log tension per unit of each coefficient: time on the clock (drift),
        0 or 1 (run-in), and that of each added drift.
    known_fall : ndarray of float, shape (n,), or None
        Fall from effects known beforehand; None where they have none.
    moves : ndarray of float, shape (n,)
        Intervals between visits with miles in them.
    """

    fall: FloatArray
    known_fall: FloatArray | None
    moves: FloatArray

    def __getitem__(self, places: slice | IntArray) -> "Passed":
        """Return some of them."""
        return Passed(
            fall=self.fall[:, places],
            known_fall=None if self.known_fall is None else self.known_fall[places],
            moves=self.moves[places],
        )

    def put_off(self, places: IntArray, until: IntArray) -> None:
        """Count what passed at some places at later ones instead, in place."""
        for passed in (*self.fall, self.known_fall, self.moves):
            if passed is not None:
                np.add.at(passed, until, passed[places])


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """The readings of some belts, run by run, runs with most found readings first.

    A run begins where the tension gets known, by what an adjustment left or by the
    first reading after it was not, and ends at the next adjustment. Given the
    coefficients and the belt's own drift, runs are independent. The i-th found reading
    of each position belongs to run i: those that still go on are the first of the runs.

    Attributes
    ----------
    begun : Shown
        The reading that begins each run.
    belt : ndarray of int, shape (n_runs,)
        Place of its belt, in the frame's order of belts.
    positions : tuple of (slice, Passed, Shown)
        Of the first, second, … found reading of runs: their places among all of them,
        what passed before each, and the readings.
    row : ndarray of int, shape (n_found,)
        Row of the frame of each found reading that the run's earlier ones foretell.
    before : Passed
        Between each of these and the run's reading before it.
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
    positions: tuple[tuple[slice, Passed, Shown], ...]
    row: IntArray
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
        added: Sequence[FloatArray] = (),
        shown: Sequence[tuple[FloatArray, FloatArray]] = (),
    ) -> Self:
        """Cut the rows of whole belts into runs.

        Parameters
        ----------
        readings : polars.DataFrame
            To `READINGS`.
        clock : {'miles', 'log_miles'}, default 'miles'
            What drift goes with.
        effects : Effects, optional
            Effects known beforehand.
        added : sequence of ndarray of float, shape (n_rows,)
            Coefficients of drift: the loss added over the interval that ends at the
            row, per unit of the clock.
        shown : sequence of pairs of ndarray of float, shape (n_rows,)
            Coefficients of reading: by how much the found and the left reading show
            too much.

        Returns
        -------
        Runs
            With drift, run-in loss, ``added`` and ``shown`` as coefficients.
        """
        effects = effects or Effects()
        belt_no = readings["belt_no"].to_numpy()
        first = np.flatnonzero(np.diff(belt_no, prepend=-1))
        last_row = np.append(first[1:], belt_no.size)[: first.size] - 1
        cuts = _Cuts.of(readings, first, last_row)
        passed = _passed(readings, clock, effects, added)
        passed.put_off(cuts.quiet, cuts.spoken)
        found, left = _read(readings, effects, shown)
        begun = np.flatnonzero(cuts.begins)
        n_found = np.bincount(cuts.run[cuts.is_foretold], minlength=begun.size)
        is_kept = n_found > 0
        is_kept[cuts.last[cuts.last >= 0]] = True
        kept = np.flatnonzero(is_kept)
        order = kept[np.argsort(-n_found[kept], kind="stable")]
        place = np.full(begun.size + 1, -1)  # of each run, and none for none
        place[order] = np.arange(order.size)
        ends, nth = _by_position(n_found[order], (np.cumsum(n_found) - n_found)[order])
        row, begun = np.flatnonzero(cuts.is_foretold)[nth], begun[order]
        before, next_found = passed[row], found[row]
        heres = [slice(start, end) for start, end in pairwise(ends)]
        after = passed[last_row]
        for nothing in (*after.fall, after.known_fall, after.moves):
            if nothing is not None:
                nothing[cuts.is_read[last_row]] = 0.0
        return cls(
            begun=_either(found[begun], left[begun], is_left=cuts.resets[begun]),
            belt=cuts.belt[begun],
            positions=tuple((here, before[here], next_found[here]) for here in heres),
            row=row,
            before=before,
            model=readings["model_no"].to_numpy()[first].astype(np.int64),
            n_found=np.bincount(cuts.belt[row], minlength=first.size),
            last=place[cuts.last],
            after=after,
        )

    @property
    def n_terms(self) -> int:
        """How many coefficients there are."""
        return len(self.before.fall) + len(self.begun.excess)

    def by_belt(self, values: FloatArray) -> FloatArray:
        """Sum values of runs over those of each belt."""
        sums: FloatArray = np.bincount(self.belt, values, self.model.size)  # type: ignore[assignment]
        return sums


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cuts:
    """Where runs begin and what belongs to them; arrays by row, `last` by belt."""

    belt: IntArray  # the row's, in the frame's order of belts
    resets: BoolArray
    begins: BoolArray  # a run begins by a reading of this row
    is_foretold: BoolArray  # the found reading continues a run
    run: IntArray  # the latest run begun before the row
    is_read: BoolArray  # the row has a reading that begins or continues a run
    quiet: IntArray  # rows that have none and are not a belt's last
    spoken: IntArray  # the next row of each that is one or the other
    last: IntArray  # the run in which the belt ends, or -1

    @classmethod
    def of(cls, readings: pl.DataFrame, first: IntArray, last_row: IntArray) -> Self:
        has_found, has_left, resets = (
            readings.select(column).to_series().to_numpy()
            for column in (
                pl.col("found_log").is_not_null(),
                pl.col("left_log").is_not_null() & pl.col("resets"),
                pl.col("resets"),
            )
        )
        is_first, is_last = np.zeros((2, resets.size), dtype=bool)
        is_first[first] = is_last[last_row] = True
        opens = is_first | np.append(False, resets[:-1])[: resets.size]
        opened = np.maximum.accumulate(np.where(opens, np.arange(resets.size), 0))
        n_found = np.cumsum(has_found) - has_found
        was_left = has_left[opened - 1] & ~is_first[opened]
        is_known = was_left | (n_found > n_found[opened])
        begins = has_left | (has_found & ~is_known & ~resets)
        is_foretold = has_found & is_known
        is_read = begins | is_foretold
        stops = np.flatnonzero(is_read | is_last)
        quiet = np.flatnonzero(~(is_read | is_last))
        run = np.cumsum(begins) - 1
        ends_known = np.where(resets, has_left, is_known | has_found)[last_row]
        return cls(
            belt=np.cumsum(is_first) - 1,
            resets=resets,
            begins=begins,
            is_foretold=is_foretold,
            run=run - begins,
            is_read=is_read,
            quiet=quiet,
            spoken=stops[np.searchsorted(stops, quiet)],
            last=np.where(ends_known, run[last_row], -1),
        )


def _passed(
    readings: pl.DataFrame,
    clock: Clock,
    effects: Effects,
    added: Sequence[FloatArray],
) -> Passed:
    """Lay out what passed before each row."""
    miles = readings["miles"].to_numpy()
    known_fall = None
    if clock == "miles" and not effects.add_drift:
        time = clock_time(miles, miles, clock)
    else:
        before = Conditions.after(readings).before()
        time = clock_time(before.since_set_mi, miles, clock)
        if effects.add_drift:
            known_fall = time * before.added_drift(effects)
    crosses = readings["crosses_run_in"].to_numpy()
    return Passed(
        fall=np.stack([time, crosses, *(time * each for each in added)]),
        known_fall=known_fall,
        moves=(miles > 0).astype(float),
    )


def _read(
    readings: pl.DataFrame,
    effects: Effects,
    shown: Sequence[tuple[FloatArray, FloatArray]],
) -> tuple[Shown, Shown]:
    """Lay out what each row found and left; NaN where it did not."""
    hot = effects.hot * readings["is_hot"].to_numpy()
    level = readings["set_level"]
    too_much = effects.left_shift + effects.left_slope * level.fill_null(0.0).to_numpy()
    kept = np.where(level.is_null(), 1.0, 1.0 - effects.left_slope)
    apart_var = readings["u_apart"].to_numpy() ** 2
    found, left = (
        Shown(
            log=readings[f"{phase}_log"].to_numpy() - beside,
            share=share * (1.0 / readings[f"{phase}_n"]).to_numpy(),
            apart_var=apart_var,
            excess=np.reshape(excess, (len(shown), readings.height)),
        )
        for phase, beside, share, excess in (
            ("found", hot, 1.0, [each[0] for each in shown]),
            ("left", hot + too_much, kept, [each[1] for each in shown]),
        )
    )
    return found, left


def _by_position(n: IntArray, first: IntArray) -> tuple[IntArray, IntArray]:
    """Return the ends of the positions, and which found readings stand at them."""
    n_running = n.size - np.cumsum(np.bincount(n))[:-1]
    places = [first[:m] + k for k, m in enumerate(n_running)]
    none = np.empty(0, dtype=np.int64)
    return np.append(0, np.cumsum(n_running)), np.concatenate([none, *places])


def _either(found: Shown, left: Shown, *, is_left: BoolArray) -> Shown:
    """Take what was left or, elsewhere, what was found."""
    return Shown(
        log=np.where(is_left, left.log, found.log),
        share=np.where(is_left, left.share, found.share),
        apart_var=found.apart_var,
        excess=np.where(is_left, left.excess, found.excess),
    )
