"""Tension lost per mile: what each model and each belt loses, from all readings."""

from collections import deque
from dataclasses import dataclass, replace
from functools import partial
from math import log, nan, pi, sqrt
from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.drift_by_model import Coefficients, GroupSums, model_table
from fleetbelt.models.drift_doubt import likely_spreads
from fleetbelt.models.drift_filter import (
    DRIFT,
    LEVEL,
    RUN_IN,
    BeltSums,
    Spreads,
    State,
)
from fleetbelt.models.drift_likelihood import (
    LEAST_BELTS,
    SpreadFit,
    SpreadLikelihood,
    fit_spreads,
)
from fleetbelt.models.drift_readings import (
    Clock,
    Conditions,
    Effects,
    blocks_of_belts,
    rows_of_belts,
    sample_of_belts,
)
from fleetbelt.models.drift_runs import Runs

SAMPLE_BELTS: Final = 20_000  # enough for the spreads

BELTS: Final = pl.Schema(
    {
        "belt_no": pl.Int32(),
        "model_no": pl.Int32(),
        "n_intervals": pl.Int32(),  # found readings that an earlier one foretold
        "b_hat": pl.Float64(),  # own drift less the model's, per unit of the clock
        "var_b": pl.Float64(),  # its variance, given the model's drift
        "b_weight": pl.Float64(),  # how far b_hat falls as the model's drift rises
        "b_run_in": pl.Float64(),  # how far b_hat falls as the run-in loss rises
        "a": pl.Float64(),  # log tension after the last row at no drift, N, or null
        "g_d": pl.Float64(),  # its sensitivity to the belt's drift
        "g_r": pl.Float64(),  # its sensitivity to the run-in loss
        "p": pl.Float64(),  # its variance, all coefficients given
        "u_corr": pl.Float64(),  # relative sd of the correction of its last reading
        "added_drift": pl.Float64(),  # from effects, now, per unit of the clock
        "since_set_mi": pl.Float64(),  # at the last row, mi
        "chi2": pl.Float64(),  # squared standardised innovations; n_intervals expected
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftFit:
    """What belts lose per mile, by model and by belt.

    Attributes
    ----------
    spreads : Spreads
        r of a reading, q of an interval, q_r of the run-in and tau of the belts' drift
        per unit of the clock; 0 where none is detectable.
    between_belt_sd_lo, between_belt_sd_hi : float or None
        95 % profile limits of tau, per unit of the clock.
    loglik : float
        Marginal log-likelihood of all found readings that an earlier one foretold; NaN
        where the belts were not asked for.
    clock : {'miles', 'log_miles'}
        What drift goes with: miles, or the log of miles since setting.
    effects : Effects
        Effects that were taken as known.
    not_learned : str or None
        Why no drift can be learned from these readings; drift is then taken as 0 and
        the reading sd from the settings.
    theta : ndarray of float, shape (n_models, 2)
        Drift per unit of the clock and run-in loss of each model, log tension.
    covariance : ndarray of float, shape (n_models, 2, 2)
        Their covariance.
    by_model : polars.DataFrame
        One row per model and one for all, to `BY_MODEL`.
    belts : polars.DataFrame
        One row per belt, to `BELTS`; none where they were not asked for.
    likely : tuple of (float, DriftFit)
        Where belts are few: fits at other spreads that are likely, and their shares.
        ``theta``, ``covariance`` and ``by_model`` are averages over them.
    """

    spreads: Spreads
    between_belt_sd_lo: float | None
    between_belt_sd_hi: float | None
    loglik: float
    clock: Clock
    effects: Effects
    not_learned: str | None
    theta: FloatArray
    covariance: FloatArray
    by_model: pl.DataFrame
    belts: pl.DataFrame
    likely: tuple[tuple[float, "DriftFit"], ...] = ()

    @property
    def reading_sd(self) -> float:
        """Sd of one field reading, r, of log tension."""
        if not self.likely:
            return self.spreads.reading
        return sqrt(sum(w * fit.reading_sd**2 for w, fit in self.likely))


def fit_drift(  # noqa: PLR0913 -- what is known beforehand, and how far to go
    readings: pl.DataFrame,
    *,
    prior_reading_sd: float,
    rng: np.random.Generator,
    clock: Clock = "miles",
    effects: Effects | None = None,
    least_belts: int = LEAST_BELTS,
    few_belts: int = 0,
    near: Spreads | None = None,
    has_limits: bool = True,
    has_belts: bool = True,
) -> DriftFit:
    """Fit the state-space model of belt tension.

    Parameters
    ----------
    readings : polars.DataFrame
        One row per visit that carries information, as `checked_readings` returns them.
    prior_reading_sd : float
        Field reading sd of the settings, log tension; stands where none can be learned.
    rng : numpy.random.Generator
        Draws the belts from which the spreads are learned, where there are many.
    clock : {'miles', 'log_miles'}, default 'miles'
        What drift goes with.
    effects : Effects, optional
        Effects of duty and the like, known beforehand.
    least_belts : int, default 20
        With fewer belts that have drift in their readings none is learned.
    few_belts : int, default 0
        With fewer what is learned is averaged over the spreads that are likely.
    near : Spreads, optional
        Spreads of a like fit, from which the way to these is shorter.
    has_limits : bool, default True
        Whether to look for the limits of the spread between belts.
    has_belts : bool, default True
        Whether to say how each belt stands, and how likely all is.

    Returns
    -------
    DriftFit
        Drift, run-in loss and spreads; and the state of each belt at its last row.

    Notes
    -----
    Log tension x falls by ``(beta + b) t`` over clock time t, plus a normal error of
    variance q**2 (none if no miles were driven), once by ``lambda`` plus one of q_r**2
    over the run-in; a found reading is x plus one of r**2/n. What an adjustment left
    restarts x. b is normal between belts with sd tau. The marginal likelihood is closed
    form given r, q and q_r [1]_; the spreads maximise the restricted one, drift and
    run-in loss follow by generalised least squares.

    A setting that was made because of a found reading does no harm as long as that
    reading is among the rows.

    References
    ----------
    .. [1] Durbin, J. and Koopman, S. J. (2012), *Time Series Analysis by State Space
       Methods*, 2nd ed., ch. 4-7.
    """
    effects = effects or Effects()
    found = fit_spreads(
        sample_of_belts(readings, SAMPLE_BELTS, rng),
        prior_reading_sd=prior_reading_sd,
        clock=clock,
        effects=effects,
        least_belts=least_belts,
        near=near,
        has_limits=has_limits,
    )
    at = partial(_fit_at, readings, clock=clock, effects=effects, has_belts=has_belts)
    fit, _ = at(found)
    if found.not_learned or fit.by_model["n_belts"][-1] >= few_belts:
        return fit
    likelihood = SpreadLikelihood.of(
        readings, prior_reading_sd=prior_reading_sd, clock=clock, effects=effects
    )
    every = [
        (share, *at(replace(found, spreads=spreads)))
        for share, spreads in likely_spreads(likelihood, found.spreads)
    ]
    models, fleet = (
        Coefficients.averaged([(share, both[i]) for share, _, both in every])
        for i in range(2)
    )
    likely = tuple((share, one) for share, one, _ in every)
    fit = replace(fit, likely=likely, theta=models.theta, covariance=models.covariance)
    spreads = replace(found.spreads, reading=fit.reading_sd)
    return replace(fit, by_model=model_table(models, fleet, spreads, clock))


def _fit_at(
    readings: pl.DataFrame,
    found: SpreadFit,
    *,
    clock: Clock,
    effects: Effects,
    has_belts: bool,
) -> tuple[DriftFit, tuple[Coefficients, Coefficients]]:
    """Fit at known spreads; and the coefficients of each model and of all."""
    slope = found.spreads.slope
    n_models = int(readings["model_no"].to_numpy().max(initial=-1)) + 1
    parts, blocks = [], deque[tuple[BeltSums, pl.DataFrame]]()
    for block in blocks_of_belts(readings):
        runs = Runs.of(block, clock=clock, effects=effects)
        state = State.begun(runs, found.spreads)
        sums = BeltSums.of(runs, found.spreads, state)
        parts.append(GroupSums.of(sums, slope, runs.model, n_models))
        if has_belts:
            state = state.after_last(runs, found.spreads)
            blocks.append((sums, _standing(block, state, effects)))
    groups = GroupSums.added_up(parts)
    models, fleet = Coefficients.of(groups), Coefficients.of(groups.together())
    if found.not_learned:
        models, fleet = models.forgotten(), fleet.forgotten()
    belts = [(pl.DataFrame(schema=BELTS), 0.0)]
    while blocks:  # each is given up for its table
        belts.append(_belt_table(*blocks.popleft(), models.theta, slope))
    fit = DriftFit(
        spreads=found.spreads,
        between_belt_sd_lo=found.slope_lo,
        between_belt_sd_hi=found.slope_hi,
        loglik=sum(loglik for _, loglik in belts) if has_belts else nan,
        clock=clock,
        effects=effects,
        not_learned=found.not_learned,
        theta=models.theta,
        covariance=models.covariance,
        by_model=model_table(models, fleet, found.spreads, clock),
        belts=pl.concat([table for table, _ in belts]),
    )
    return fit, (models, fleet)


def _standing(readings: pl.DataFrame, state: State, effects: Effects) -> pl.DataFrame:
    """Say how each belt stands after its last row."""
    first, n_rows = rows_of_belts(readings["belt_no"].to_numpy())
    last = first + n_rows - 1
    after = Conditions.after(readings, last)
    has_found, has_left = (
        ~np.isnan(readings[name].to_numpy()) for name in ("found_log", "left_log")
    )
    read = np.flatnonzero(has_found | has_left)
    last_read = np.append(0, read)[np.searchsorted(read, last, side="right")]
    known = np.where(np.isfinite(state.var), [*state.mean, state.var], np.nan)
    return pl.DataFrame(
        {
            "belt_no": readings["belt_no"].gather(last),
            "model_no": readings["model_no"].gather(last),
            **dict(zip(("a", "g_d", "g_r", "p"), known, strict=True)),
            "u_corr": readings["u_corr"].gather(last_read),
            "added_drift": after.added_drift(effects),
            "since_set_mi": after.since_set_mi,
        }
    )


def _belt_table(
    sums: BeltSums, now: pl.DataFrame, theta: FloatArray, slope: float
) -> tuple[pl.DataFrame, float]:
    """Add each belt's own drift, to `BELTS`; return also the log-likelihood of all.

    With ``h = 1 / (1 + tau**2 A)``: ``b_hat = tau**2 h (B - beta A - lambda R_d)``.
    """
    beta, lam = theta[now["model_no"].to_numpy()].T
    cross = sums.cross
    var_b = slope**2 / (1.0 + slope**2 * cross[DRIFT, DRIFT])
    z_d, z_r, z_e = (
        cross[i, LEVEL] - beta * cross[i, DRIFT] - lam * cross[i, RUN_IN]
        for i in (DRIFT, RUN_IN, LEVEL)
    )
    chi2 = z_e - beta * z_d - lam * z_r - var_b * z_d**2
    log_det = sums.sum_log_f + np.log1p(slope**2 * cross[DRIFT, DRIFT])
    loglik = -0.5 * float((log_det + chi2 + sums.n * log(2 * pi)).sum())
    own = {
        "n_intervals": sums.n,
        "b_hat": var_b * z_d,
        "var_b": var_b,
        "b_weight": var_b * cross[DRIFT, DRIFT],
        "b_run_in": var_b * cross[DRIFT, RUN_IN],
        "chi2": chi2,
    }
    known = {column.name: column for column in now}
    belts = pl.DataFrame(known | own).select(
        pl.col(name).cast(kind).fill_nan(None)
        if kind.is_float()
        else pl.col(name).cast(kind)
        for name, kind in BELTS.items()
    )
    return belts, loglik
