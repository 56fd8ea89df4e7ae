"""Drift and run-in loss of each model, and what small models borrow from the fleet."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
import polars as pl

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.drift_filter import DRIFT, RUN_IN, BeltSums, Spreads
from fleetbelt.models.drift_likelihood import Pooled, Solution
from fleetbelt.models.drift_readings import Clock, clock_time
from fleetbelt.models.estimates import two_sided_z

FEW_BELTS: Final = 20  # a model with fewer that say something leans on the fleet
MODEL_SPREAD: Final = 0.3  # sd between models over their mean, before any is seen
MODEL_SPREAD_DF: Final = 2.0  # models that this is worth (common practice, no source)
FLOOR: Final = 0.005  # of a loss: by so much simulated whole fleets were found off
REPORTED_MI: Final = 10_000.0  # a loss per 1,000 mi is the mean over these, if not even

BY_MODEL: Final = pl.Schema(
    {
        "model_no": pl.Int64(),  # null: all together, one common fit
        "n_belts": pl.Int64(),  # belts with an interval
        "n_intervals": pl.Int64(),  # found readings of which an earlier one foretold
        "is_shrunk": pl.Boolean(),  # too few belts: leans on the fleet
        "drift": pl.Float64(),  # beta, loss of log tension per unit of the clock
        "drift_se": pl.Float64(),
        "run_in_loss": pl.Float64(),  # lambda, loss of log tension over the run-in
        "run_in_loss_se": pl.Float64(),
        "covariance": pl.Float64(),  # of drift and run_in_loss
        "drift_pct_per_1000mi": pl.Float64(),  # 100 x log rate
        "drift_lo": pl.Float64(),  # 95 %
        "drift_hi": pl.Float64(),
        "run_in_loss_pct": pl.Float64(),
        "run_in_loss_lo": pl.Float64(),  # 95 %
        "run_in_loss_hi": pl.Float64(),
        "between_belt_sd_pct": pl.Float64(),  # sd of belts' drift, % per 1,000 mi
        "residual_sd_pct": pl.Float64(),  # sd of one reading, %
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSums:
    """What the belts of each group say together.

    Attributes
    ----------
    pooled : Pooled
        Their least-squares sums.
    n_says : ndarray of int, shape (n_groups, 2)
        Belts that say something of the drift, of the run-in loss.
    n_belts, n_intervals : ndarray of int, shape (n_groups,)
        Belts with an innovation, and innovations.
    """

    pooled: Pooled
    n_says: IntArray
    n_belts: IntArray
    n_intervals: IntArray

    @classmethod
    def of(cls, sums: BeltSums, slope: float, group: IntArray, n_groups: int) -> Self:
        """Add up the belts of each group."""

        def counted(n: FloatArray | IntArray | BoolArray) -> IntArray:
            return np.bincount(group, n, n_groups).astype(np.int64)

        says = [counted(sums.cross[i, i] > 0) for i in (DRIFT, RUN_IN)]
        return cls(
            pooled=Pooled.of(sums.cross, slope, group, n_groups),
            n_says=np.stack(says, axis=1),
            n_belts=counted(sums.n > 0),
            n_intervals=counted(sums.n),
        )

    @classmethod
    def added_up(cls, parts: Sequence[Self]) -> Self:
        """Add up what belts say that were summed apart, in their order."""
        return cls(
            pooled=Pooled.added_up([part.pooled for part in parts]),
            n_says=np.sum([part.n_says for part in parts], axis=0),
            n_belts=np.sum([part.n_belts for part in parts], axis=0),
            n_intervals=np.sum([part.n_intervals for part in parts], axis=0),
        )

    def together(self) -> Self:
        """Make one group of all."""
        return replace(
            self,
            pooled=self.pooled.together(),
            n_says=self.n_says.sum(axis=0, keepdims=True),
            n_belts=self.n_belts.sum(keepdims=True),
            n_intervals=self.n_intervals.sum(keepdims=True),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficients:
    """Drift and run-in loss of each group of belts.

    Attributes
    ----------
    theta : ndarray of float, shape (n_groups, 2)
        Drift per unit of the clock, run-in loss; log tension. 0 where not known.
    covariance : ndarray of float, shape (n_groups, 2, 2)
        Their covariance.
    is_known, is_shrunk : ndarray of bool, shape (n_groups, 2) and (n_groups,)
        Whether there is anything to know them from; whether they lean on the fleet.
    n_belts, n_intervals : ndarray of int, shape (n_groups,)
        Belts with an innovation, and innovations.
    """

    theta: FloatArray
    covariance: FloatArray
    is_known: BoolArray
    is_shrunk: BoolArray
    n_belts: IntArray
    n_intervals: IntArray

    @classmethod
    def of(cls, groups: GroupSums) -> Self:
        """Estimate each group; let those with few belts lean on the others."""
        alone = Solution.of(groups.pooled)
        has_others = alone.is_known.sum(axis=0) > alone.is_known
        leans = ((groups.n_says < FEW_BELTS) | ~alone.is_known) & has_others
        theta, covariance = _shrunk(groups.pooled, alone, leans)
        return cls(
            theta=theta,
            covariance=covariance,
            is_known=alone.is_known | leans,
            is_shrunk=leans.any(axis=1),
            n_belts=groups.n_belts,
            n_intervals=groups.n_intervals,
        )

    @classmethod
    def averaged(cls, likely: Sequence[tuple[float, Self]]) -> Self:
        """Average over likely spreads, by their shares; they add to the covariance."""
        shares, every = [share for share, _ in likely], [each for _, each in likely]
        thetas = np.array([each.theta for each in every])
        theta = np.average(thetas, axis=0, weights=shares)
        off = thetas - theta
        outer = off[:, :, :, None] * off[:, :, None, :]
        within = np.array([each.covariance for each in every])
        return replace(
            every[0],
            theta=theta,
            covariance=np.average(within + outer, axis=0, weights=shares),
        )

    def forgotten(self) -> Self:
        """Keep the counts and know nothing else."""
        return replace(
            self,
            theta=np.zeros_like(self.theta),
            covariance=np.zeros_like(self.covariance),
            is_known=np.zeros_like(self.is_known),
            is_shrunk=np.zeros_like(self.is_shrunk),
        )


def _shrunk(
    pooled: Pooled, alone: Solution, leans: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Posterior of each group, with the spread of the groups as prior where it leans.

    ``theta = (M + L)**-1 (v + L mean)`` with M, v the group's normal equations and L
    the prior's precisions; its covariance adds what the mean's own variance brings.
    """
    prior = [_between(alone, i) for i in range(leans.shape[1])]
    mean, mean_var, spread_var = np.array(prior).T
    precision = np.where(leans, 1.0 / spread_var, 0.0)
    is_blank = ~alone.is_known & ~leans
    eye = np.eye(leans.shape[1])
    lean = precision[:, :, None] * eye
    inverse = np.linalg.inv(pooled.information + lean + is_blank[:, :, None] * eye)
    inverse *= ~(is_blank[:, :, None] | is_blank[:, None, :])
    pull = inverse @ lean
    theta = (inverse @ (pooled.score + precision * mean)[:, :, None])[:, :, 0]
    covariance = inverse + pull @ (mean_var * eye) @ pull.swapaxes(1, 2)
    is_lean = np.asarray(leans.any(axis=1))
    return (
        np.where(is_lean[:, None], theta, alone.theta),
        np.where(is_lean[:, None, None], covariance, alone.covariance),
    )


def _between(alone: Solution, i: int) -> tuple[float, float, float]:
    """Mean of a coefficient over the groups, its variance, and that between groups.

    Method of moments [DerSimonian & Laird 1986], joined to a first guess so that a few
    groups that happen to agree are not taken for all alike.
    """
    is_known = alone.is_known[:, i]
    if not is_known.any():
        return 0.0, 1.0, 1.0
    x, var = alone.theta[is_known, i], alone.covariance[is_known, i, i]
    w = 1.0 / var
    centre = np.average(x, weights=w)
    df = x.size - 1
    room = w.sum() - (w**2).sum() / w.sum()
    excess = (w * (x - centre) ** 2).sum() - df
    moments = max(excess / room, 0.0) if df else 0.0
    guess = (MODEL_SPREAD * centre) ** 2 + 1e-6 * var.min()
    between = (df * moments + MODEL_SPREAD_DF * guess) / (df + MODEL_SPREAD_DF)
    w = 1.0 / (var + between)
    return float(np.average(x, weights=w)), float(1.0 / w.sum()), float(between)


def pct_per_1000mi(clock: Clock) -> float:
    """Return by what a drift per unit of the clock becomes per cent per 1,000 mi.

    Parameters
    ----------
    clock : {'miles', 'log_miles'}
        What drift goes with.

    Returns
    -------
    float
        Per cent per 1,000 mi; by the log of miles the mean over the first
        `REPORTED_MI` after a setting.
    """
    time = clock_time(np.zeros(1), np.array([REPORTED_MI]), clock)
    return 100 * time.item() / (REPORTED_MI / 1e3)


def model_table(
    models: Coefficients, fleet: Coefficients, spreads: Spreads, clock: Clock
) -> pl.DataFrame:
    """Lay out the models' coefficients, and the common ones of all, to `BY_MODEL`.

    Parameters
    ----------
    models : Coefficients
        One group per model.
    fleet : Coefficients
        One group of all belts.
    spreads : Spreads
        The spreads they were estimated with.
    clock : {'miles', 'log_miles'}
        What drift goes with.

    Returns
    -------
    polars.DataFrame
        To `BY_MODEL`; null where nothing is known.
    """
    theta = np.concatenate([models.theta, fleet.theta])
    cov = np.concatenate([models.covariance, fleet.covariance])
    knows = np.concatenate([models.is_known, fleet.is_known])
    se = np.sqrt(cov[:, [0, 1], [0, 1]])
    z, pct = two_sided_z(0.95), pct_per_1000mi(clock)
    drift, run_in = theta.T
    half = z * np.hypot(se, FLOOR * theta).T * np.array([[pct], [1.0]])
    known_by = {
        0: {
            "drift": drift,
            "drift_se": se[:, 0],
            "drift_pct_per_1000mi": pct * drift,
            "drift_lo": pct * drift - half[0],
            "drift_hi": pct * drift + half[0],
            "between_belt_sd_pct": np.full(drift.size, pct * spreads.slope),
        },
        1: {
            "run_in_loss": run_in,
            "run_in_loss_se": se[:, 1],
            "covariance": cov[:, 0, 1],
            "run_in_loss_pct": -100 * np.expm1(-run_in),
            "run_in_loss_lo": -100 * np.expm1(-(run_in - half[1])),
            "run_in_loss_hi": -100 * np.expm1(-(run_in + half[1])),
        },
    }
    columns = {
        "model_no": pl.Series([*range(models.n_belts.size), None], dtype=pl.Int64),
        "residual_sd_pct": np.full(drift.size, 100 * spreads.reading),
    }
    for name in ("n_belts", "n_intervals", "is_shrunk"):
        columns[name] = np.append(getattr(models, name), getattr(fleet, name))
    for i, known in known_by.items():
        for name, values in known.items():
            columns[name] = pl.Series(np.where(knows[:, i], values, np.nan)).fill_nan(
                None
            )
    return pl.DataFrame(columns).select(pl.col(c).cast(t) for c, t in BY_MODEL.items())
