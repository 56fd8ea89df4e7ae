"""Belt tension now and further on: how likely it is under its range, and when."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
import polars as pl
from scipy.special import ndtr, ndtri

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.drift import DriftFit
from fleetbelt.models.drift_readings import Clock, clock_miles, clock_time

HORIZON_MI: Final = 100_000.0  # nothing is said of what lies further ahead

RUNNING: Final = pl.Schema(
    {
        "belt_no": pl.Int64(),  # as in the fit
        "since_last_mi": pl.Float64(),  # miles driven since the belt's last row, mi
        "is_run_in_ahead": pl.Boolean(),  # that row is an install's: run-in to come
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tension:
    """Log tension of some belts, normal; NaN for a belt of which nothing is known.

    Attributes
    ----------
    mean_log, sd_log : ndarray of float, shape (n_belts,)
        Mean and standard deviation, of the log of newtons.
    """

    mean_log: FloatArray
    sd_log: FloatArray

    def p_under(self, log_min: FloatArray) -> FloatArray:
        """Return the chance that the tension is under a minimum.

        Parameters
        ----------
        log_min : ndarray of float, shape (n_belts,)
            Log of the minimum, N; NaN where there is none.

        Returns
        -------
        ndarray of float, shape (n_belts,)
            Chance, 0 to 1; NaN where a minimum or the tension is not known.
        """
        return np.asarray(ndtr((log_min - self.mean_log) / self.sd_log))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """The course of each belt's log tension over clock time t after its last row.

    With ``G = g_d - t``: mean ``start + slope G``, variance
    ``c0 + c1 G + c2 G**2``, and ``jump`` more once it has moved; shapes (n_belts,).
    """

    clock: Clock
    g_d: FloatArray
    since_set_mi: FloatArray
    since_last_mi: FloatArray
    start: FloatArray
    slope: FloatArray
    c0: FloatArray
    c1: FloatArray
    c2: FloatArray
    jump: float

    @classmethod
    def of(cls, fit: DriftFit, running: pl.DataFrame) -> Self:
        """Work out the courses of running belts.

        Parameters
        ----------
        fit : DriftFit
            The fitted model.
        running : polars.DataFrame
            One row per belt, to `RUNNING`.

        Returns
        -------
        Outlook
            In the order of ``running``.

        Raises
        ------
        InputError
            If a column is missing, miles are negative or a belt is not in the fit.

        Notes
        -----
        The mean is the best linear unbiased predictor, and its variance adds to that
        of the belt's state, of its own drift and of the interval what the model's
        estimated drift and run-in loss bring, *after* their effect on ``b_hat`` [1]_,
        and that of the gauge's correction. Over likely spreads means and variances
        are averaged, and the means' own variance added.

        References
        ----------
        .. [1] Harville, D. A. (1976), *Ann. Statist.* 4, 384-395.
        """
        running = _checked(running, n_belts=fit.belts.height)
        if fit.likely:
            return cls._averaged([(w, cls.of(one, running)) for w, one in fit.likely])
        place = running["belt_no"].to_numpy()
        a, g_d, g_r, p, b_hat, var_b, weight, b_run_in, u_corr, added, since = (
            fit.belts[name].gather(place).fill_null(np.nan).to_numpy()
            for name in (
                *("a", "g_d", "g_r", "p", "b_hat", "var_b", "b_weight", "b_run_in"),
                *("u_corr", "added_drift", "since_set_mi"),
            )
        )
        model = fit.belts["model_no"].gather(place).to_numpy()
        (beta, lam), cov = fit.theta[model].T, fit.covariance[model]
        v_d, v_dr, v_r = cov[:, 0, 0], cov[:, 0, 1], cov[:, 1, 1]
        is_ahead = running["is_run_in_ahead"].to_numpy()
        # d mean / d beta = G h and d mean / d lambda = g_r - G b_run_in
        g_r, h = g_r - is_ahead, 1.0 - weight
        return cls(
            clock=fit.clock,
            g_d=g_d,
            since_set_mi=since,
            since_last_mi=running["since_last_mi"].to_numpy(),
            start=a + g_r * lam - g_d * added,
            slope=beta + b_hat + added,
            c0=p + fit.spreads.run_in**2 * is_ahead + u_corr**2 + g_r**2 * v_r,
            c1=2 * g_r * (h * v_dr - b_run_in * v_r),
            c2=var_b + h**2 * v_d - 2 * h * b_run_in * v_dr + b_run_in**2 * v_r,
            jump=fit.spreads.interval**2,
        )

    @classmethod
    def _averaged(cls, likely: Sequence[tuple[float, Self]]) -> Self:
        """Average over courses by their shares; their means add to the variance.

        ``G`` of each is that of the average and ``off`` more.
        """
        (_, first), *_ = likely

        shares = [share for share, _ in likely]

        def mean(values: Iterable[FloatArray]) -> FloatArray:
            return np.asarray(np.average(list(values), axis=0, weights=shares))

        every = [one for _, one in likely]
        g_d = mean(one.g_d for one in every)
        off = [one.g_d - g_d for one in every]
        both = list(zip(every, off, strict=True))
        starts = [one.start + one.slope * o for one, o in both]
        start, slope = mean(starts), mean(one.slope for one in every)
        return replace(
            first,
            g_d=g_d,
            start=start,
            slope=slope,
            c0=mean(one.c0 + one.c1 * o + one.c2 * o**2 for one, o in both)
            + mean((x - start) ** 2 for x in starts),
            c1=mean(one.c1 + 2 * one.c2 * o for one, o in both)
            + mean(
                2 * (x - start) * (one.slope - slope)
                for x, one in zip(starts, every, strict=True)
            ),
            c2=mean(one.c2 + (one.slope - slope) ** 2 for one in every),
            jump=float(np.average([one.jump for one in every], weights=shares)),
        )

    def tension(self, ahead_mi: float | FloatArray = 0.0) -> Tension:
        """Log tension so many miles from now (of ``since_last_mi``), mi."""
        miles = self.since_last_mi + ahead_mi
        g = self.g_d - clock_time(self.since_set_mi, miles, self.clock)
        var = self.c0 + self.c1 * g + self.c2 * g**2 + self.jump * (miles > 0)
        return Tension(mean_log=self.start + self.slope * g, sd_log=np.sqrt(var))

    def due_in_mi(self, log_min: FloatArray, threshold: float) -> FloatArray:
        """Return the least miles from now at which P(under) reaches a threshold.

        Parameters
        ----------
        log_min : ndarray of float, shape (n_belts,)
            Log of the minimum, N; NaN where there is none.
        threshold : float
            Chance of being under at which work is due, between 0 and 1.

        Returns
        -------
        ndarray of float, shape (n_belts,)
            Miles from now, mi: 0 where already due; NaN where not within `HORIZON_MI`,
            or not known.

        Raises
        ------
        InputError
            If the threshold is not between 0 and 1.

        Notes
        -----
        ``P(under) = threshold`` is quadratic in G once squared, so the root is exact.
        A belt that has not moved since its last row counts as moving off now.
        """
        if not 0.0 < threshold < 1.0:
            raise InputError(
                what=f"The chance {threshold} cannot be reached at some mileage.",
                where="the threshold of P(under) at which work is due",
                fix="set it between 0 and 1, both excluded.",
            )
        z2, sign = ndtri(threshold) ** 2, np.sign(ndtri(threshold))
        c0 = self.c0 + self.jump
        gap = log_min - self.start
        now = self.g_d - clock_time(self.since_set_mi, self.since_last_mi, self.clock)
        sd = np.sqrt(c0 + self.c1 * now + self.c2 * now**2)
        is_due = ndtr((gap - self.slope * now) / sd) >= threshold
        roots = _roots(
            self.slope**2 - z2 * self.c2,
            -2 * self.slope * gap - z2 * self.c1,
            gap**2 - z2 * c0,
        )
        with np.errstate(invalid="ignore"):  # no drift: roots lie at infinity
            is_root = (roots < now) & (sign * (gap - self.slope * roots) >= 0)
        g = np.where(is_root, roots, -np.inf).max(axis=0)
        miles = clock_miles(self.since_set_mi, self.g_d - g, self.clock)
        due = np.where(is_due, 0.0, miles - self.since_last_mi)
        is_unknown = np.isnan(gap) | (due > HORIZON_MI)
        return np.where(is_unknown, np.nan, due)


def _roots(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Real roots of ``a x**2 + b x + c``, shape (2, n); NaN or infinite where none.

    A discriminant below zero by rounding alone is taken as zero.
    """
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        discriminant = b**2 - 4 * a * c
        is_rounding = np.abs(discriminant) < 1e-12 * b**2
        root = np.sqrt(np.where(is_rounding, 0.0, discriminant))
        half = -0.5 * (b + np.copysign(root, b))
        return np.stack([half / a, c / half])


def _checked(running: pl.DataFrame, *, n_belts: int) -> pl.DataFrame:
    missing = [name for name in RUNNING if name not in running.columns]
    if missing:
        raise _refusal(fault=f"lack columns: {', '.join(missing)}")
    running = running.select(pl.col(name).cast(t) for name, t in RUNNING.items())
    if sum(running.null_count().row(0)):
        raise _refusal(fault="have empty cells")
    if not running["belt_no"].is_between(0, n_belts - 1).all():
        raise _refusal(fault="hold belts that the fit has not seen")
    if not (running["since_last_mi"] >= 0).all():
        raise _refusal(fault="have driven negative miles")
    return running


def _refusal(*, fault: str) -> InputError:
    return InputError(
        what=f"The running belts {fault}.",
        where="fleetbelt.models.drift_forecast.RUNNING",
        fix="pass one row per running belt to that schema.",
    )
