"""The marginal likelihood of the drift model, and the spreads that maximise it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import exp, inf, log, pi, sqrt
from typing import Final, Self

import numpy as np
import polars as pl
from scipy.optimize import brentq

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.drift_filter import (
    DRIFT,
    LEVEL,
    RUN_IN,
    BeltSums,
    Spreads,
)
from fleetbelt.models.drift_readings import Clock, Effects, sample_of_belts
from fleetbelt.models.drift_runs import Runs
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.newton import Maximum, maximise

FIRST_BELTS: Final = 2_000  # of many, with which the climb begins
LEAST_BELTS: Final = 20  # with drift in their readings: fewer teach none
PRIOR_LOG_SD: Final = 1.0  # the settings' reading sd is right to a factor of e
NONE_DETECTABLE: Final = 1e-4  # deviance that a spread must gain over zero
_STEP: Final = 3e-4  # of the differences, log
_RANGE: Final = 12.0  # how far under its start the limit of a log spread may be
_ENOUGH: Final = 1e-8  # log-likelihood a reading that a last step may promise
_AT_LIMIT: Final = 2e-3  # how close to z the root of a deviance must come
_READING, _SLOPE = 0, 3  # places in the vector of log spreads


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Least-squares sums of groups of belts, the belts' own slopes integrated out.

    Attributes
    ----------
    information : ndarray of float, shape (n_groups, n_terms, n_terms)
        ``G' V**-1 G`` of the coefficients (drift, run-in, further terms).
    score : ndarray of float, shape (n_groups, n_terms)
        ``G' V**-1 e``.
    square : ndarray of float, shape (n_groups,)
        ``e' V**-1 e``.
    """

    information: FloatArray
    score: FloatArray
    square: FloatArray

    @classmethod
    def of(
        cls, cross: FloatArray, slope: float, group: IntArray, n_groups: int
    ) -> Self:
        """Add up the belts of each group.

        With ``h = 1 / (1 + tau**2 A)`` each product of two columns x, y is
        ``x'F**-1 y - tau**2 h (x'F**-1 g_d)(y'F**-1 g_d)`` (Sherman and Morrison).
        """
        weight = slope**2 / (1.0 + slope**2 * cross[DRIFT, DRIFT])
        size = cross.shape[0]
        total = np.empty((n_groups, size, size))
        for i in range(size):
            for j in range(i + 1):
                belt = cross[i, j] - weight * cross[i, DRIFT] * cross[j, DRIFT]
                by_group = np.bincount(group, belt, n_groups)
                total[:, i, j] = total[:, j, i] = by_group
        return cls(
            information=total[:, DRIFT:, DRIFT:],
            score=total[:, DRIFT:, LEVEL],
            square=total[:, LEVEL, LEVEL],
        )

    @classmethod
    def added_up(cls, parts: Sequence[Self]) -> Self:
        """Add up what belts say that were summed apart."""
        return cls(
            information=np.sum([part.information for part in parts], axis=0),
            score=np.sum([part.score for part in parts], axis=0),
            square=np.sum([part.square for part in parts], axis=0),
        )

    def together(self) -> Self:
        """Make one group of all."""
        return replace(
            self,
            information=self.information.sum(axis=0, keepdims=True),
            score=self.score.sum(axis=0, keepdims=True),
            square=self.square.sum(keepdims=True),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Drift and run-in loss of each group by generalised least squares.

    Attributes
    ----------
    theta : ndarray of float, shape (n_groups, 2)
        Drift and run-in loss; 0 where the group says nothing of it.
    covariance : ndarray of float, shape (n_groups, 2, 2)
        0 in the same places.
    is_known : ndarray of bool, shape (n_groups, 2)
        Whether the group says anything of it.
    fitted : ndarray of float, shape (n_groups,)
        What the coefficients take off ``e' V**-1 e``.
    log_det : ndarray of float, shape (n_groups,)
        Log determinant of the information of what is known.
    """

    theta: FloatArray
    covariance: FloatArray
    is_known: BoolArray
    fitted: FloatArray
    log_det: FloatArray

    @classmethod
    def of(cls, pooled: Pooled) -> Self:
        """Solve the 2 x 2 equations of each group by elimination."""
        m, v = pooled.information, pooled.score
        m_dd, m_dr, m_rr = m[:, 0, 0], m[:, 0, 1], m[:, 1, 1]
        knows_drift = m_dd > 0
        d = np.where(knows_drift, m_dd, 1.0)
        ratio = m_dr / d
        left = m_rr - ratio * m_dr
        knows_run_in = left > 1e-9 * m_rr
        r = np.where(knows_run_in, left, 1.0)
        rest = np.where(knows_run_in, v[:, 1] - ratio * v[:, 0], 0.0)
        run_in = rest / r
        drift = np.where(knows_drift, (v[:, 0] - m_dr * run_in) / d, 0.0)
        var_r = knows_run_in / r
        c_dr = -ratio * var_r
        var_d = knows_drift / d + ratio**2 * var_r
        return cls(
            theta=np.stack([drift, run_in], axis=1),
            covariance=np.stack(
                [np.stack([var_d, c_dr], 1), np.stack([c_dr, var_r], 1)], axis=1
            ),
            is_known=np.stack([knows_drift, knows_run_in], axis=1),
            fitted=knows_drift * v[:, 0] ** 2 / d + rest**2 / r,
            log_det=np.log(d) + np.log(r),
        )


def marginal_deviance(
    sums: BeltSums, slope: float, model: IntArray, *, is_restricted: bool
) -> float:
    """Return -2 times the log-likelihood of the spreads.

    Parameters
    ----------
    sums : BeltSums
        Of the belts, filtered at the other spreads.
    slope : float
        Between-belt sd of the drift, tau, per unit of the clock.
    model : ndarray of int, shape (n_belts,)
        Model of each belt, each with its own drift and run-in loss.
    is_restricted : bool
        Whether to take the likelihood of the error contrasts [1]_, which allows for the
        degrees of freedom that drift and run-in losses use up, or that of the readings
        at the best drift and run-in losses.

    Returns
    -------
    float
        -2 log-likelihood.

    References
    ----------
    .. [1] Harville, D. A. (1974), *Biometrika* 61, 383-385.
    """
    pooled = Pooled.of(sums.cross, slope, model, int(model.max(initial=-1)) + 1)
    solution = Solution.of(pooled)
    deviance = (
        sums.sum_log_f.sum()
        + np.log1p(slope**2 * sums.cross[DRIFT, DRIFT]).sum()
        + (pooled.square - solution.fitted).sum()
        + sums.n.sum() * log(2 * pi)
    )
    if is_restricted:
        deviance += solution.log_det.sum() - solution.is_known.sum() * log(2 * pi)
    return float(deviance)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadFit:
    """The spreads, and the interval of the belts' slopes.

    Attributes
    ----------
    spreads : Spreads
        Restricted maximum likelihood; 0 where none is detectable.
    slope_lo, slope_hi : float or None
        95 % profile-likelihood limits of tau, per unit of the clock.
    not_learned : str or None
        Why the readings teach no drift; the reading sd is then the settings'.
    """

    spreads: Spreads
    slope_lo: float | None = None
    slope_hi: float | None = None
    not_learned: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadLikelihood:
    """The restricted likelihood of the log spreads, given the readings of some belts.

    Attributes
    ----------
    runs : Runs
        Readings of the belts.
    prior_reading_sd : float
        Field reading sd of the settings, log tension.

    Notes
    -----
    A weak log-normal prior on r (sd 1 on the log scale, about half a reading's worth)
    decides where the data cannot tell the reading error from that of the interval:
    where every found reading is followed by a setting, only ``2 r**2 + q**2`` shows.
    """

    runs: Runs
    prior_reading_sd: float

    @classmethod
    def of(
        cls,
        readings: pl.DataFrame,
        *,
        prior_reading_sd: float,
        clock: Clock = "miles",
        effects: Effects | None = None,
    ) -> Self:
        """Order the rows of whole belts, to `READINGS`."""
        return cls(
            runs=Runs.of(readings, clock=clock, effects=effects),
            prior_reading_sd=prior_reading_sd,
        )

    def deviance(self, log_spreads: FloatArray) -> float:
        """-2 log of the restricted likelihood times the prior."""
        return self.deviances([log_spreads])[0]

    def deviances(self, points: Sequence[FloatArray]) -> list[float]:
        """-2 log of the same at several log spreads.

        Points that differ in the slope's spread alone share their sums.
        """
        sums: dict[tuple[float, ...], BeltSums] = {}
        for x in points:
            others = tuple(x[:_SLOPE])
            if others not in sums:
                sums[others] = BeltSums.of(self.runs, _spreads(x))
        return [self._deviance(_spreads(x), sums[tuple(x[:_SLOPE])]) for x in points]

    def _deviance(self, spreads: Spreads, sums: BeltSums) -> float:
        surprise = log(spreads.reading / self.prior_reading_sd) / PRIOR_LOG_SD
        return surprise**2 + marginal_deviance(
            sums, spreads.slope, self.runs.model, is_restricted=True
        )

    def highest(
        self, start: FloatArray, moves: FloatArray, *, enough: float
    ) -> Maximum:
        """Climb to the highest log-likelihood from some log spreads.

        ``moves``, shape (n_moves, n_spreads), are the directions that are searched;
        gradient and Hessian are differences.
        """
        n_moves = len(moves)
        ones = _STEP * np.eye(n_moves)
        i, j = np.triu_indices(n_moves, k=1)
        beside = np.concatenate([ones, -ones, ones[i] + ones[j]])

        def objective(move: FloatArray) -> tuple[float, FloatArray, FloatArray]:
            x = start + move @ moves
            at_x, *around = self.deviances([x, *(x + step @ moves for step in beside)])
            rises = -0.5 * np.subtract(around, at_x)
            up, down, both = np.split(rises, [n_moves, 2 * n_moves])
            hessian = np.diag(up + down)
            hessian[i, j] = hessian[j, i] = both - up[i] - up[j]
            return -0.5 * at_x, (up - down) / (2 * _STEP), hessian / _STEP**2

        start_here = np.zeros(n_moves)
        return maximise(objective, start_here, enough=enough, is_last_tried=False)

    def fit(
        self,
        *,
        has_limits: bool = True,
        least_belts: int = LEAST_BELTS,
        near: Spreads | None = None,
    ) -> SpreadFit:
        """Maximise over all spreads; then, if asked, find how far tau can go.

        ``near``: spreads of a like fit, from which the way is shorter.
        """
        guess = self._guess()
        sums = BeltSums.of(self.runs, guess)
        n_belts = int((sums.cross[DRIFT, DRIFT] > 0).sum())
        if n_belts < least_belts:
            return SpreadFit(
                spreads=replace(guess, interval=0.0, run_in=0.0),
                not_learned=f"no drift can be learned: {n_belts} belts have a reading "
                f"to hold against an earlier one, {least_belts} are needed",
            )
        start = self._start(guess, sums)
        if near:
            known = np.array([near.reading, near.interval, near.run_in, near.slope])
            is_given = (start > -inf) & (known > 0)
            start = np.where(is_given, np.log(np.where(is_given, known, 1.0)), start)
        moves = np.eye(start.size)[start > -inf]
        found = self.highest(start, moves, enough=_ENOUGH * float(sums.n.sum()))
        best = start + found.theta @ moves
        best = self._without_the_undetectable(best, -2 * found.value)
        if not has_limits:
            return SpreadFit(spreads=_spreads(best))
        lo, hi = self._slope_limits(start, best, found)
        return SpreadFit(spreads=_spreads(best), slope_lo=lo, slope_hi=hi)

    def _guess(self) -> Spreads:
        r = self.prior_reading_sd
        return Spreads(reading=r, interval=0.3 * r, run_in=r, slope=0.0)

    def start(self) -> FloatArray:
        """Log spreads of a likely size; minus infinity where the data say nothing."""
        guess = self._guess()
        return self._start(guess, BeltSums.of(self.runs, guess))

    def _start(self, guess: Spreads, sums: BeltSums) -> FloatArray:
        """Log spreads to begin with; minus infinity where the data say nothing."""
        pooled = Pooled.of(sums.cross, 0.0, np.zeros_like(self.runs.model), 1)
        rest = float((pooled.square - Solution.of(pooled).fitted)[0])
        scale = max(rest / int(sums.n.sum()), 1e-6) ** 0.5
        time = self.runs.before.fall[DRIFT - 1]
        per_time = float(np.mean(time[time > 0] ** 2)) ** -0.5
        has_run_in = 1.0 if sums.cross[RUN_IN, RUN_IN].any() else 0.0
        start = [
            guess.reading,
            guess.interval,
            guess.run_in * has_run_in,
            0.5 * guess.reading * per_time,
        ]
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(scale * np.array(start)))

    def _without_the_undetectable(self, best: FloatArray, least: float) -> FloatArray:
        """Set to zero, one after the other, the spreads that gain nothing over zero."""
        for i in range(_READING + 1, best.size):
            at_zero = best.copy()
            at_zero[i] = -inf
            if self.deviance(at_zero) < least + NONE_DETECTABLE:
                best = at_zero
        return best

    def _slope_limits(
        self, start: FloatArray, best: FloatArray, found: Maximum
    ) -> tuple[float, float]:
        """Profile-likelihood limits of tau: where the deviance has risen by z**2."""
        z, first = two_sided_z(0.95), 0.05  # how far to look at first, log
        is_detected = best > -inf
        is_free = start > -inf
        trend, others = np.eye(start.size)[_SLOPE], np.eye(start.size)[:_SLOPE]
        others = others[is_free[:_SLOPE]]
        if is_detected[is_free].all():  # go where the others will follow
            var = found.covariance()
            trend[is_free] = var[-1] / var[-1, -1]
            first = 1.1 * z * sqrt(var[-1, -1])
        nearly_zero = np.where(np.arange(start.size) == _SLOPE, _RANGE, 3.0)
        best = np.where(is_detected, best, start - nearly_zero)

        @cache
        def excess(log_rise: float) -> float:
            if log_rise == 0.0:
                return -z
            x = best + log_rise * trend
            rise = 2 * (found.value - self.highest(x, others, enough=_AT_LIMIT).value)
            over = sqrt(max(rise, 0.0)) - z
            return over if abs(over) > _AT_LIMIT else 0.0

        def limit(direction: float) -> float:
            near, far = 0.0, first
            while excess(direction * far) < 0:
                near, far = far, 2 * far
                if -direction * far > _RANGE:
                    return 0.0
            ends = (direction * near, direction * far)
            log_rise = brentq(excess, *ends, xtol=1e-2 * (far - near))
            return exp(best[_SLOPE] + log_rise)

        return (limit(-1.0) if is_detected[_SLOPE] else 0.0), limit(1.0)


def fit_spreads(  # noqa: PLR0913 -- what is known beforehand, and how far to go
    readings: pl.DataFrame,
    *,
    prior_reading_sd: float,
    clock: Clock = "miles",
    effects: Effects | None = None,
    least_belts: int = LEAST_BELTS,
    near: Spreads | None = None,
    has_limits: bool = True,
) -> SpreadFit:
    """Learn the spreads from the readings of some belts.

    Parameters
    ----------
    readings : polars.DataFrame
        All rows of those belts, to `READINGS`.
    prior_reading_sd : float
        Field reading sd of the settings, log tension.
    clock : {'miles', 'log_miles'}, default 'miles'
        What drift goes with.
    effects : Effects, optional
        Effects of duty and the like, known beforehand.
    least_belts : int, default 20
        With fewer belts that have drift in their readings none is learned.
    near : Spreads, optional
        Spreads of a like fit, from which the way to these is shorter.
    has_limits : bool, default True
        Whether to look for the limits of the spread between belts.

    Returns
    -------
    SpreadFit
        Restricted maximum likelihood.

    Notes
    -----
    Where there are many belts the climb begins where that of a few of them ended.
    """

    def fitted(
        some: pl.DataFrame, near: Spreads | None, *, has_limits: bool
    ) -> SpreadFit:
        return SpreadLikelihood.of(
            some, prior_reading_sd=prior_reading_sd, clock=clock, effects=effects
        ).fit(least_belts=least_belts, near=near, has_limits=has_limits)

    if near is None:
        few = sample_of_belts(readings, FIRST_BELTS, np.random.default_rng(0))
        if few.height < readings.height:
            near = fitted(few, None, has_limits=False).spreads
    return fitted(readings, near, has_limits=has_limits)


def _spreads(log_spreads: FloatArray) -> Spreads:
    reading, interval, run_in, slope = np.exp(log_spreads).tolist()
    return Spreads(reading=reading, interval=interval, run_in=run_in, slope=slope)
