"""The augmented Kalman filter of belt tension, in lockstep over many belts."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Self

import numpy as np
import polars as pl

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.drift_readings import Clock, Conditions, Effects, clock_time

LEVEL, DRIFT, RUN_IN = 0, 1, 2  # rows of the state: the level, then its sensitivities


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of log tension.

    Attributes
    ----------
    reading, interval, run_in : float
        r of one reading, q of an interval with miles in it, q_r of the run-in.
    slope : float
        tau, of the belts' drift about their model's, per unit of the clock.
    """

    reading: float
    interval: float
    run_in: float
    slope: float


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
class Lockstep:
    """The rows of some belts by reading position, belts with most rows first.

    Rows of position k are ``[ends[k], ends[k + 1])``; the i-th of them belongs to lane
    i, so that the belts that still run at a position are a prefix of the lanes.

    Attributes
    ----------
    ends : ndarray of int, shape (n_positions + 1,)
        Where the rows of each position begin.
    row : ndarray of int, shape (n_rows,)
        Place of each row in the frame.
    lane, model : ndarray of int, shape (n_belts,)
        Lane and ``model_no`` of each belt, in the frame's order of belts.
    fall : ndarray of float, shape (n_terms, n_rows)
        Fall of the log tension over the interval that ends at the row, per unit of
        each coefficient: time on the clock (drift), 0 or 1 (run-in), further terms.
    known_fall : ndarray of float, shape (n_rows,)
        Fall over that interval from effects known beforehand.
    has_moved, has_found : ndarray of float, shape (n_rows,)
        1 where miles lie before the row, where it has a found reading; else 0.
    resets : ndarray of bool, shape (n_rows,)
        Whether the row ends in an adjustment.
    found, left : ndarray of float, shape (n_rows,)
        Log readings, N, less effects known beforehand; 0 where there is none.
    apart_var : ndarray of float, shape (n_rows,)
        Variance of the readings beside r**2/n, from corrections that err apart.
    found_share, left_share : ndarray of float, shape (n_rows,)
        1/n of the readings averaged; infinite where what was left is unknown.
    found_excess, left_excess : ndarray of float, shape (n_terms, n_rows), or None
        By how much the readings show too much, per unit of each coefficient.
    """

    ends: IntArray
    row: IntArray
    lane: IntArray
    model: IntArray
    fall: FloatArray
    known_fall: FloatArray
    has_moved: FloatArray
    has_found: FloatArray
    resets: BoolArray
    found: FloatArray
    left: FloatArray
    apart_var: FloatArray
    found_share: FloatArray
    left_share: FloatArray
    found_excess: FloatArray | None
    left_excess: FloatArray | None

    @classmethod
    def of(
        cls,
        readings: pl.DataFrame,
        *,
        clock: Clock = "miles",
        effects: Effects | None = None,
        terms: Sequence[Term] = (),
    ) -> Self:
        """Order whole belts of a frame to `READINGS` for the filter."""
        effects = effects or Effects()
        ends, row, lane = _by_position(readings["belt_no"].to_numpy())
        miles = readings["miles"].to_numpy()
        before = Conditions.after(readings).before()
        time = clock_time(before.since_set_mi, miles, clock)
        crosses = readings["crosses_run_in"].to_numpy().astype(float)
        fall = [time, crosses, *(time * _or_zeros(t.drift, time) for t in terms)]
        hot = effects.hot * readings["is_hot"].to_numpy()
        found, left = (readings[f"{phase}_log"] for phase in ("found", "left"))
        level = readings["set_level"]
        excess = effects.left_shift + effects.left_slope * level.fill_null(0.0)
        kept = np.where(level.is_null(), 1.0, 1.0 - effects.left_slope)
        return cls(
            ends=ends,
            row=row,
            lane=lane,
            model=readings["model_no"].to_numpy()[row[lane]],
            fall=np.stack([term[row] for term in fall]),
            known_fall=(time * before.added_drift(effects))[row],
            has_moved=(miles > 0).astype(float)[row],
            has_found=found.is_not_null().to_numpy().astype(float)[row],
            resets=readings["resets"].to_numpy()[row],
            found=(found - hot).fill_null(0.0).to_numpy()[row],
            left=(left - hot - excess).fill_null(0.0).to_numpy()[row],
            apart_var=readings["u_apart"].to_numpy()[row] ** 2,
            found_share=_share(readings, "found", 1.0)[row],
            left_share=(kept * _share(readings, "left", np.inf))[row],
            found_excess=_excess([t.found for t in terms], row),
            left_excess=_excess([t.left for t in terms], row),
        )


def _by_position(belt_no: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Return the ends of the positions, their rows, and the lane of each belt."""
    first = np.flatnonzero(np.diff(belt_no, prepend=-1))
    n_rows = np.diff(first, append=belt_no.size)
    order = np.argsort(-n_rows, kind="stable")
    lane = np.empty_like(order)
    lane[order] = np.arange(order.size)
    n_running = first.size - np.cumsum(np.bincount(n_rows))[:-1]
    rows = [first[order[:n]] + k for k, n in enumerate(n_running)]
    none = np.empty(0, dtype=np.int64)
    ends = np.append(0, np.cumsum(n_running))
    return ends, np.concatenate([none, *rows]), lane


def _share(readings: pl.DataFrame, phase: str, if_none: float) -> FloatArray:
    n = pl.when(pl.col(f"{phase}_log").is_not_null()).then(pl.col(f"{phase}_n"))
    return readings.select((1.0 / n).fill_null(if_none)).to_series().to_numpy()


def _or_zeros(column: FloatArray | None, like: FloatArray) -> FloatArray:
    return np.zeros_like(like) if column is None else column


def _excess(columns: list[FloatArray | None], row: IntArray) -> FloatArray | None:
    """Rows of reading excess by coefficient; drift and run-in have none."""
    if all(column is None for column in columns):
        return None
    blank = np.zeros(row.size)
    wanted = [blank if c is None else c[row] for c in columns]
    return np.stack([blank, blank, *wanted])


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What is known of each belt's tension after the rows filtered so far.

    The log tension is normal with mean ``mean[0] + coefficients @ mean[1:]`` (the
    drift's coefficient being the belt's own) and variance ``var``. While filtering
    there is an axis before the belts, of the spreads that are tried side by side.

    Attributes
    ----------
    mean : ndarray of float, shape (1 + n_terms, n_belts)
        Level at zero coefficients above its derivatives by each.
    var : ndarray of float, shape (n_belts,)
        Variance given the coefficients; infinite while nothing is known.
    """

    mean: FloatArray
    var: FloatArray

    @classmethod
    def diffuse(cls, n_terms: int, n_spreads: int, n_belts: int) -> Self:
        """Nothing known of any belt."""
        shape = (n_spreads, n_belts)
        return cls(mean=np.zeros((1 + n_terms, *shape)), var=np.full(shape, np.inf))


def innovations(
    rows: Lockstep, spreads: Sequence[Spreads], state: State
) -> Iterator[tuple[slice, FloatArray, FloatArray]]:
    """Filter position by position, and yield what each found reading adds.

    Parameters
    ----------
    rows : Lockstep
        The belts' rows.
    spreads : sequence of Spreads
        Standard deviations, each set filtered beside the others; ``slope`` is not used.
    state : State
        Diffuse at first; brought up to date in place, by lane.

    Yields
    ------
    tuple of slice, ndarray of shape (1 + n_terms, n_spreads, n_k) and (n_spreads, n_k)
        Which rows; the innovation at zero coefficients above its derivatives by each,
        so that ``z = v[0] + coefficients @ v[1:]``; and ``1/F``, which is 0 where the
        reading is missing or nothing was known before it.

    Notes
    -----
    Scalar Kalman filter with the coefficients carried along [1]_. Diffuse starts and
    restarts are exact: with infinite variance 1/F is 0 and the gain 1; for a missing
    reading both are 0. What was found updates the old state before what was left
    restarts it.

    References
    ----------
    .. [1] de Jong, P. (1991), *Ann. Statist.* 19, 1073-1083.
    """
    r2, q2, qr2 = (
        np.array([[getattr(s, name) ** 2] for s in spreads])
        for name in ("reading", "interval", "run_in")
    )
    noise = q2 * rows.has_moved + qr2 * rows.fall[RUN_IN - 1]
    for start, end in pairwise(rows.ends):
        here = slice(start, end)
        mean, var = state.mean[..., : end - start], state.var[:, : end - start]
        mean[LEVEL] -= rows.known_fall[here]
        mean[DRIFT:] -= rows.fall[:, None, here]
        var += noise[:, here]

        v = -mean
        v[LEVEL] += rows.found[here]
        if rows.found_excess is not None:
            v[DRIFT:] -= rows.found_excess[:, None, here]
        apart_var, has_found = rows.apart_var[here], rows.has_found[here]
        read_var = r2 * rows.found_share[here] + apart_var
        inverse_f = has_found / (var + read_var)
        yield here, v, inverse_f

        gain = has_found - read_var * inverse_f
        mean += gain * v
        np.copyto(var, read_var * gain, where=has_found > 0)

        resets = rows.resets[here]
        np.copyto(mean, 0.0, where=resets)
        np.copyto(mean[LEVEL], rows.left[here], where=resets)
        if rows.left_excess is not None:
            np.copyto(mean[DRIFT:], -rows.left_excess[:, None, here], where=resets)
        np.copyto(var, r2 * rows.left_share[here] + apart_var, where=resets)


@dataclass(frozen=True, slots=True, kw_only=True)
class BeltSums:
    """What the readings of each belt say, in the frame's order of belts.

    Attributes
    ----------
    cross : ndarray of float, shape (1 + n_terms, 1 + n_terms, n_belts)
        Sums over 1/F of products of the innovation at zero coefficients, ``e``, and
        its sensitivities, ``g``, so that ``z = e - coefficients @ g``. ``cross[0, 0]``
        is C of the model's formulas, ``[1, 1]`` A, ``[0, 1]`` B, ``[2, 2]`` R,
        ``[1, 2]`` R_d, ``[0, 2]`` R_e.
    sum_log_f : ndarray of float, shape (n_belts,)
        Sum of log F over the innovations.
    n : ndarray of int, shape (n_belts,)
        Innovations: found readings of which something was known beforehand.
    state : State
        After the last row.
    """

    cross: FloatArray
    sum_log_f: FloatArray
    n: IntArray
    state: State

    @classmethod
    def joined(cls, parts: Sequence[Self]) -> Self:
        """Put belts that were filtered apart one after the other."""
        return cls(
            cross=np.concatenate([part.cross for part in parts], axis=-1),
            sum_log_f=np.concatenate([part.sum_log_f for part in parts]),
            n=np.concatenate([part.n for part in parts]),
            state=State(
                mean=np.concatenate([part.state.mean for part in parts], axis=-1),
                var=np.concatenate([part.state.var for part in parts]),
            ),
        )

    @classmethod
    def of(cls, rows: Lockstep, spreads: Spreads) -> Self:
        """Filter the rows of some belts and sum up their innovations."""
        return cls.of_each(rows, [spreads])[0]

    @classmethod
    def of_each(cls, rows: Lockstep, spreads: Sequence[Spreads]) -> list[Self]:
        """Filter at several spreads in one pass: a step costs more than its belts."""
        n_terms, n_belts = rows.fall.shape[0], rows.lane.size
        state = State.diffuse(n_terms, len(spreads), n_belts)
        cross = np.zeros((1 + n_terms, 1 + n_terms, len(spreads), n_belts))
        sum_log_f = np.zeros((len(spreads), n_belts))
        n = np.zeros(n_belts, dtype=np.int64)
        for _, v, inverse_f in innovations(rows, spreads, state):
            lanes, is_new = slice(0, inverse_f.shape[1]), inverse_f > 0
            scaled = inverse_f * v
            for i in range(1 + n_terms):
                cross[i, i:, :, lanes] += scaled[i] * v[i:]
            sum_log_f[:, lanes] -= np.log(inverse_f, where=is_new, out=is_new * 0.0)
            n[lanes] += is_new[0]
        cross[LEVEL, DRIFT:] *= -1  # from derivatives of z to sensitivities g
        for i in range(1, 1 + n_terms):
            cross[i, :i] = cross[:i, i]
        return [
            cls(
                cross=cross[:, :, k, rows.lane],
                sum_log_f=sum_log_f[k, rows.lane],
                n=n[rows.lane],
                state=State(
                    mean=state.mean[:, k, rows.lane], var=state.var[k, rows.lane]
                ),
            )
            for k in range(len(spreads))
        ]
