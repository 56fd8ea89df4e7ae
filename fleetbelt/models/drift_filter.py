"""The augmented Kalman filter of belt tension, in lockstep over many runs."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.drift_runs import Runs

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
class State:
    """What is known of the tension of each belt, or run, after its readings so far.

    The log tension is normal with mean ``mean[0] + coefficients @ mean[1:]`` (the
    drift's coefficient being the belt's own) and variance ``var``.

    Attributes
    ----------
    mean : ndarray of float, shape (1 + n_terms, n)
        Level at zero coefficients above its derivatives by each.
    var : ndarray of float, shape (n,)
        Variance given the coefficients; infinite where nothing is known.
    """

    mean: FloatArray
    var: FloatArray

    @classmethod
    def begun(cls, runs: Runs, spreads: Spreads) -> Self:
        """Return what is known of each run after the reading that begins it."""
        begun = runs.begun
        mean = np.zeros((1 + runs.n_terms, begun.log.size))
        mean[LEVEL] = begun.log
        mean[1 + runs.before.fall.shape[0] :] = -begun.excess
        var = spreads.reading**2 * begun.share + begun.apart_var
        return cls(mean=mean, var=var)

    @classmethod
    def at_the_end(cls, runs: Runs, spreads: Spreads) -> Self:
        """Return what is known of each belt after its last row."""
        state = cls.begun(runs, spreads)
        for _ in innovations(runs, spreads, state):
            pass
        return state.after_last(runs, spreads)

    def after_last(self, runs: Runs, spreads: Spreads) -> Self:
        """Go from the last readings of runs, filtered, to each belt's last row."""
        after, is_known = runs.after, runs.last >= 0
        mean = np.zeros((self.mean.shape[0], is_known.size))
        var = np.full(is_known.size, np.inf)
        mean[:, is_known] = self.mean[:, runs.last[is_known]]
        var[is_known] = self.var[runs.last[is_known]]
        mean[1 : 1 + after.fall.shape[0]] -= after.fall
        if after.known_fall is not None:
            mean[LEVEL] -= after.known_fall
        var += spreads.interval**2 * after.moves
        var += spreads.run_in**2 * after.fall[RUN_IN - 1]
        return replace(self, mean=mean, var=var)


def innovations(
    runs: Runs, spreads: Spreads, state: State
) -> Iterator[tuple[slice, FloatArray, FloatArray]]:
    """Filter position by position, and yield what each found reading adds.

    Parameters
    ----------
    runs : Runs
        The belts' readings.
    spreads : Spreads
        Standard deviations; ``slope`` is not used.
    state : State
        Of the runs begun; brought up to date in place.

    Yields
    ------
    tuple of slice, ndarray of shape (1 + n_terms, n_k) and (n_k,)
        Which found readings, of as many of the first runs; the innovation at zero
        coefficients above its derivatives by each, so that
        ``z = v[0] + coefficients @ v[1:]``; and ``1/F``.

    Notes
    -----
    Scalar Kalman filter with the coefficients carried along [1]_; a diffuse start is
    exact by beginning each run at its first known reading.

    References
    ----------
    .. [1] de Jong, P. (1991), *Ann. Statist.* 19, 1073-1083.
    """
    r2, q2, qr2 = spreads.reading**2, spreads.interval**2, spreads.run_in**2
    n_falls = 1 + runs.before.fall.shape[0]
    for here, before, found in runs.positions:
        n = found.log.size
        mean, var = state.mean[:, :n], state.var[:n]
        mean[DRIFT:n_falls] -= before.fall
        if before.known_fall is not None:
            mean[LEVEL] -= before.known_fall
        var += q2 * before.moves
        var += qr2 * before.fall[RUN_IN - 1]

        v = -mean
        v[LEVEL] += found.log
        v[n_falls:] -= found.excess
        read_var = r2 * found.share
        read_var += found.apart_var
        inverse_f = 1.0 / (var + read_var)
        yield here, v, inverse_f

        mean += (var * inverse_f) * v
        var *= read_var * inverse_f


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
    """

    cross: FloatArray
    sum_log_f: FloatArray
    n: IntArray

    @classmethod
    def of(cls, runs: Runs, spreads: Spreads, state: State | None = None) -> Self:
        """Filter the runs of some belts and sum up their innovations.

        ``state``, of the runs begun, is brought up to date in place.
        """
        state = state or State.begun(runs, spreads)
        size, n_runs = state.mean.shape
        by_run, log_f = np.zeros((size, size, n_runs)), np.zeros(n_runs)
        for _, v, inverse_f in innovations(runs, spreads, state):
            n, scaled = inverse_f.size, inverse_f * v
            for i in range(size):
                by_run[i, i:, :n] += scaled[i] * v[i:]
            log_f[:n] -= np.log(inverse_f)
        by_run[LEVEL, DRIFT:] *= -1  # from derivatives of z to sensitivities g
        cross = np.empty((size, size, runs.model.size))
        for i in range(size):
            for j in range(i, size):
                cross[i, j] = cross[j, i] = runs.by_belt(by_run[i, j])
        return cls(
            cross=cross,
            sum_log_f=runs.by_belt(log_f),
            n=runs.n_found,
        )
