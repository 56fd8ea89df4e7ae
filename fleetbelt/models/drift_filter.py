"""The augmented Kalman filter of belt tension, in lockstep over many runs."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Self

import numpy as np

from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.drift_runs import Runs

LEVEL, DRIFT, RUN_IN = 0, 1, 2  # rows of the state: the level, then its sensitivities
_AT_A_TIME: Final = 20_000  # runs times spreads: as many as a processor keeps at hand


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
class State:
    """What is known of the tension of each belt, or run, after its readings so far.

    The log tension is normal with mean ``mean[0] + coefficients @ mean[1:]`` (the
    drift's coefficient being the belt's own) and variance ``var``. While filtering
    there is an axis before the runs, of the spreads that are tried side by side.

    Attributes
    ----------
    mean : ndarray of float, shape (1 + n_terms, n)
        Level at zero coefficients above its derivatives by each.
    var : ndarray of float, shape (n,)
        Variance given the coefficients; infinite where nothing is known.
    """

    mean: FloatArray
    var: FloatArray


def innovations(
    runs: Runs, spreads: Sequence[Spreads], some: slice, state: State
) -> Iterator[tuple[slice, FloatArray, FloatArray]]:
    """Filter position by position, and yield what each found reading adds.

    Parameters
    ----------
    runs : Runs
        The belts' readings.
    spreads : sequence of Spreads
        Standard deviations, each set filtered beside the others; ``slope`` is not used.
    some : slice
        The runs to filter.
    state : State
        Of those runs: room for it, in which it begins anew and is brought up to date.

    Yields
    ------
    tuple of slice, ndarray of shape (1 + n_terms, n_spreads, n_k) and (n_spreads, n_k)
        Which found readings, of as many of the first of the runs; the innovation at
        zero coefficients above its derivatives by each, so that
        ``z = v[0] + coefficients @ v[1:]``; and ``1/F``.

    Notes
    -----
    Scalar Kalman filter with the coefficients carried along [1]_; a diffuse start is
    exact by beginning each run at its first known reading.

    References
    ----------
    .. [1] de Jong, P. (1991), *Ann. Statist.* 19, 1073-1083.
    """
    r2, q2, qr2 = _variances(spreads)
    begun = runs.begun[some]
    state.mean[LEVEL], state.mean[DRIFT:] = begun.log, 0.0
    if begun.excess is not None:
        state.mean[DRIFT:] -= begun.excess[:, None]
    state.var[:] = r2 * begun.share + begun.apart_var
    for start, end in pairwise(runs.ends):
        here = slice(start + some.start, min(start + some.stop, end))
        n = here.stop - here.start
        if n <= 0:
            break
        mean, var = state.mean[..., :n], state.var[:, :n]
        before, found = runs.before[here], runs.found[here]
        mean[LEVEL] -= before.known_fall
        mean[DRIFT:] -= before.fall[:, None]
        var += q2 * before.moves + qr2 * before.fall[RUN_IN - 1]

        v = -mean
        v[LEVEL] += found.log
        if found.excess is not None:
            v[DRIFT:] -= found.excess[:, None]
        read_var = r2 * found.share + found.apart_var
        inverse_f = 1.0 / (var + read_var)
        yield here, v, inverse_f

        gain = var * inverse_f
        mean += gain * v
        np.multiply(gain, read_var, out=var)


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
    def of(cls, runs: Runs, spreads: Spreads) -> Self:
        """Filter the runs of some belts and sum up their innovations."""
        return cls.of_each(runs, [spreads])[0]

    @classmethod
    def of_each(cls, runs: Runs, spreads: Sequence[Spreads]) -> list[Self]:
        """Filter at several spreads in one pass: a step costs more than its runs."""
        size, n_runs = 1 + runs.before.fall.shape[0], runs.belt.size
        shape = (len(spreads), n_runs)
        state = State(mean=np.empty((size, *shape)), var=np.empty(shape))
        cross, log_f = np.zeros((size, size, *shape)), np.zeros(shape)
        step = -(-_AT_A_TIME // len(spreads))
        for first in range(0, n_runs, step):
            some = slice(first, min(first + step, n_runs))
            part = State(mean=state.mean[..., some], var=state.var[:, some])
            cross_part, log_f_part = cross[..., some], log_f[:, some]
            for _, v, inverse_f in innovations(runs, spreads, some, part):
                n, scaled = inverse_f.shape[1], inverse_f * v
                for i in range(size):
                    cross_part[i, i:, :, :n] += scaled[i] * v[i:]
                log_f_part[:, :n] -= np.log(inverse_f)
        cross[LEVEL, DRIFT:] *= -1  # from derivatives of z to sensitivities g
        total = np.empty((*cross.shape[:-1], runs.model.size))
        for i in range(size):
            total[i, i:] = runs.by_belt(cross[i, i:])
            total[i:, i] = total[i, i:]
        log_f, state = runs.by_belt(log_f), _at_the_end(runs, spreads, state)
        return [
            cls(
                cross=total[:, :, k],
                sum_log_f=log_f[k],
                n=runs.n_found,
                state=State(mean=state.mean[:, k], var=state.var[k]),
            )
            for k in range(len(spreads))
        ]


def _variances(spreads: Sequence[Spreads]) -> tuple[FloatArray, FloatArray, FloatArray]:
    reading, interval, run_in = (
        np.array([[getattr(s, name) ** 2] for s in spreads])
        for name in ("reading", "interval", "run_in")
    )
    return reading, interval, run_in


def _at_the_end(runs: Runs, spreads: Sequence[Spreads], state: State) -> State:
    """Bring each belt from its last reading to its last row."""
    if runs.belt.size == 0:
        shape = (len(spreads), runs.last.size)
        return State(
            mean=np.zeros((state.mean.shape[0], *shape)), var=np.full(shape, np.inf)
        )
    _, q2, qr2 = _variances(spreads)
    after, is_known = runs.after, runs.last >= 0
    mean = state.mean[..., runs.last]
    mean[LEVEL] -= after.known_fall
    mean[DRIFT:] -= after.fall[:, None]
    var = state.var[:, runs.last] + q2 * after.moves + qr2 * after.fall[RUN_IN - 1]
    return State(mean=mean * is_known, var=np.where(is_known, var, np.inf))
