"""The readings of belts as runs: from one known setting to the next adjustment."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import Self

import numpy as np
import polars as pl

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.drift_readings import (
    Clock,
    Conditions,
    Effects,
    clock_time,
    rows_of_belts,
    setting_groups,
)

Each = float | FloatArray | BoolArray
"""One number for all rows, or one for each."""


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

    def take_on(self, quiet: "Passed", rows: IntArray, spoken: IntArray) -> None:
        """Add what passed before quiet rows to the rows they wait for, in place.

        ``rows``, shape (n,), are those of the frame that this is of, ``spoken`` those
        to which the quiet ones belong, where they are among them.
        """
        place = np.full(int(max(rows.max(initial=0), spoken.max(initial=0))) + 1, -1)
        place[rows] = np.arange(rows.size)
        until = place[spoken]
        here = until >= 0
        for mine, theirs in zip(_each(self), _each(quiet), strict=True):
            np.add.at(mine, until[here], theirs[here])

    def forget(self, places: BoolArray) -> None:
        """Let nothing have passed at some places, in place."""
        for passed in _each(self):
            passed[places] = 0.0


def _each(passed: Passed) -> list[FloatArray]:
    known = [] if passed.known_fall is None else [passed.known_fall]
    return [*passed.fall, *known, passed.moves]


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
        shown: Sequence[tuple[Each, Each]] = (),
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
        shown : sequence of pairs of float or ndarray of float, shape (n_rows,)
            Coefficients of reading: by how much the found and the left reading show
            too much.

        Returns
        -------
        Runs
            With drift, run-in loss, ``added`` and ``shown`` as coefficients.
        """
        effects = effects or Effects()
        first, n_rows = rows_of_belts(readings["belt_no"].to_numpy())
        last_row = first + n_rows - 1
        cuts = _Cuts.of(readings, first, last_row)
        foretold, begun = np.flatnonzero(cuts.is_foretold), np.flatnonzero(cuts.begins)
        n_found = np.bincount(cuts.run[foretold], minlength=begun.size)
        is_kept = n_found > 0
        is_kept[cuts.last[cuts.last >= 0]] = True
        kept = np.flatnonzero(is_kept)
        order = kept[_falling(n_found[kept])]
        place = np.full(begun.size + 1, -1)  # of each run, and none for none
        place[order] = np.arange(order.size)
        ends, nth = _by_position(n_found[order], (np.cumsum(n_found) - n_found)[order])
        row, begun = foretold[nth], begun[order]

        rows = [row, last_row, cuts.quiet]
        passed = _passed(readings, np.concatenate(rows), clock, effects, added)
        ends_of = np.cumsum([0, *(each.size for each in rows)])
        before, after, quiet = (
            passed[start:end] for start, end in pairwise(ends_of.tolist())
        )
        if cuts.quiet.size:
            before.take_on(quiet, row, cuts.spoken)
            after.take_on(quiet, last_row, cuts.spoken)
        after.forget(cuts.is_read[last_row])
        read = partial(_shown, readings, effects=effects, excess=shown)
        found = read(row, is_left=np.zeros(row.size, dtype=bool))
        heres = [slice(start, end) for start, end in pairwise(ends)]
        return cls(
            begun=read(begun, is_left=cuts.resets[begun]),
            belt=cuts.belt[begun],
            positions=tuple((here, before[here], found[here]) for here in heres),
            row=row,
            before=before,
            model=readings["model_no"].to_numpy()[first].astype(np.int64),
            n_found=np.bincount(cuts.belt[foretold], minlength=first.size),
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
        resets = readings["resets"].to_numpy()
        has_found, has_left = (
            ~np.isnan(readings[name].to_numpy()) for name in ("found_log", "left_log")
        )
        has_left &= resets
        is_first, is_last = np.zeros((2, resets.size), dtype=bool)
        is_first[first] = is_last[last_row] = True
        known_after = np.where(resets, has_left, has_found)
        says_nothing = ~(resets | has_found | is_first)
        if says_nothing.any():  # there it stays as it was
            places = np.where(says_nothing, 0, np.arange(resets.size))
            known_after = known_after[np.maximum.accumulate(places)]
        is_known = np.append(False, known_after[:-1])[: resets.size] & ~is_first
        begins = has_left | (has_found & ~is_known & ~resets)
        is_foretold = has_found & is_known
        is_read = begins | is_foretold
        quiet = np.flatnonzero(~(is_read | is_last))
        stops = np.flatnonzero(is_read | is_last) if quiet.size else quiet
        run = np.cumsum(begins) - 1
        return cls(
            belt=np.cumsum(is_first) - 1,
            resets=resets,
            begins=begins,
            is_foretold=is_foretold,
            run=run - begins,
            is_read=is_read,
            quiet=quiet,
            spoken=stops[np.searchsorted(stops, quiet)],
            last=np.where(known_after[last_row], run[last_row], -1),
        )


def _passed(
    readings: pl.DataFrame,
    rows: IntArray,
    clock: Clock,
    effects: Effects,
    added: Sequence[FloatArray],
) -> Passed:
    """Lay out what passed before some rows."""
    miles = readings["miles"].to_numpy()[rows].astype(float)
    known_fall = None
    if clock == "miles" and not effects.add_drift:
        time = clock_time(miles, miles, clock)
    else:
        before = Conditions.after(readings, rows - 1)  # at a first no matter what
        time = clock_time(before.since_set_mi, miles, clock)
        if effects.add_drift:
            known_fall = time * before.added_drift(effects)
    crosses = readings["crosses_run_in"].to_numpy()[rows]
    return Passed(
        fall=np.stack([time, crosses, *(time * each[rows] for each in added)]),
        known_fall=known_fall,
        moves=(miles > 0).astype(float),
    )


def _shown(
    readings: pl.DataFrame,
    rows: IntArray,
    *,
    is_left: BoolArray,
    effects: Effects,
    excess: Sequence[tuple[Each, Each]],
) -> Shown:
    """Lay out what some rows found or, where ``is_left``, left."""
    lefts = np.flatnonzero(is_left)

    def either(found: Each, left: Each) -> FloatArray:
        values = np.broadcast_to(found, readings.height)[rows].astype(float)
        values[lefts] = np.broadcast_to(left, readings.height)[rows[lefts]]
        return values

    def column(name: str) -> FloatArray:
        return readings[name].to_numpy()

    log = either(column("found_log"), column("left_log"))
    share = 1.0 / either(column("found_n"), column("left_n"))
    if effects.hot:
        log -= effects.hot * column("is_hot")[rows]
    if effects.left_shift or effects.left_slope:
        level = _over_the_mean(readings, rows[lefts], effects.left_level)
        is_known = ~np.isnan(level)
        too_much = effects.left_slope * np.where(is_known, level, 0.0)
        log[lefts] -= effects.left_shift + too_much
        share[lefts[is_known]] *= 1.0 - effects.left_slope
    return Shown(
        log=log,
        share=share,
        apart_var=column("u_apart")[rows].astype(float) ** 2,
        excess=np.reshape([either(*each) for each in excess], (len(excess), rows.size)),
    )


def _over_the_mean(
    readings: pl.DataFrame, rows: IntArray, means: Sequence[float]
) -> FloatArray:
    """Set levels of some rows over the mean of their group; NaN where not known."""
    group = setting_groups(readings, rows)
    mean = np.zeros(max(len(means), int(group.max(initial=-1)) + 1))
    mean[: len(means)] = means
    return readings["set_level"].to_numpy()[rows] - mean[group]


def _falling(n: IntArray) -> IntArray:
    """Order by falling counts; small numbers are sorted by their digits."""
    most = int(n.max(initial=0))
    kind = np.uint16 if most < 2**16 else np.int64
    return np.argsort((most - n).astype(kind), kind="stable")


def _by_position(n: IntArray, first: IntArray) -> tuple[IntArray, IntArray]:
    """Return the ends of the positions, and which found readings stand at them."""
    n_running = n.size - np.cumsum(np.bincount(n))[:-1]
    places = [first[:m] + k for k, m in enumerate(n_running)]
    none = np.empty(0, dtype=np.int64)
    return np.append(0, np.cumsum(n_running)), np.concatenate([none, *places])
