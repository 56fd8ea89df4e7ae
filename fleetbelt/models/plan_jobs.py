"""What work on a belt costs by the week it is done in, and how likely it fails."""

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import ndtr, ndtri

from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.life import failure_probability
from fleetbelt.models.replacement import age_replacement

LEAST_PER_WEEK: Final = 0.01  # cost of a week late, so that no room is left for nothing
_NODES, _WEIGHTS = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0]), np.array([1.0, 4, 1]) / 6
_BEST: Final = pl.Schema({"age_mi": pl.Float64(), "cost_per_mi": pl.Float64()})
SURE: Final = 1e-6  # chances nearer to 0 or 1 are taken as this near


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What one of each costs, in one currency.

    Attributes
    ----------
    planned_replacement, retension, complaint_visit : float
        Of the work, parts and the vehicle's absence.
    road_failure : float
        Of a belt that breaks on the road: tow and downtime with it.
    road_share : float, default 1
        Share of failures that break on the road; the others are found in time and
        cost a planned replacement.
    under_per_mi : float, default 0
        What a mile under its range costs more than one in range: complaints more per
        mile times their cost, and failures likewise.
    """

    planned_replacement: float
    road_failure: float
    retension: float
    complaint_visit: float
    road_share: float = 1.0
    under_per_mi: float = 0.0

    @property
    def failure(self) -> float:
        """Mean cost of a failure."""
        found = (1.0 - self.road_share) * self.planned_replacement
        return self.road_share * self.road_failure + found

    @property
    def can_weigh_age(self) -> bool:
        """Whether replacements and failures both have a price to weigh ages by."""
        return self.planned_replacement > 0 and self.failure > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BestAges:
    """When to replace each belt; NaN where it is best run to failure.

    Attributes
    ----------
    age_mi, cost_per_mi : ndarray of float, shape (n_belts,)
        Miles since fitting, and the cost rate of replacing there, currency per mile.
    """

    age_mi: FloatArray
    cost_per_mi: FloatArray


def best_ages(shape: FloatArray, scale_mi: FloatArray, *, costs: Costs) -> BestAges:
    """Find the age at which each belt is best replaced, by its group's life.

    Parameters
    ----------
    shape, scale_mi : ndarray of float, shape (n_belts,)
        Weibull life of the belt's group; NaN where none was fitted.
    costs : Costs
        Of a planned replacement and of a failure.

    Returns
    -------
    BestAges
        None (NaN) too where the saving over running to failure is under 1 %, and where
        the costs give nothing to weigh.
    """
    belts = pl.DataFrame({"shape": shape, "scale_mi": scale_mi})
    lives = belts.unique(maintain_order=True)
    best = [_best_age(k, eta, costs) for k, eta in lives.iter_rows()]
    found = lives.hstack(pl.DataFrame(best, _BEST, orient="row"))
    of_belts = belts.join(
        found, on=["shape", "scale_mi"], how="left", maintain_order="left"
    )
    age_mi, cost_per_mi = (of_belts[name].to_numpy() for name in _BEST)
    return BestAges(age_mi=age_mi, cost_per_mi=cost_per_mi)


def _best_age(shape: float, scale_mi: float, costs: Costs) -> tuple[float, float]:
    """Return the best age of one life and its cost per mile; NaN without."""
    if np.isfinite(shape + scale_mi) and costs.can_weigh_age:
        found = age_replacement(
            shape=shape,
            scale_mi=scale_mi,
            cost_planned=costs.planned_replacement,
            cost_failure=costs.failure,
        )
        if found.is_worthwhile and found.age_mi and found.cost_per_mi:
            return found.age_mi, found.cost_per_mi
    return np.nan, np.nan


def p_failure_ahead(
    days: float,
    *,
    daily_mi: FloatArray,
    daily_sd_mi: npt.ArrayLike,
    age_mi: FloatArray,
    shape: FloatArray,
    scale_mi: FloatArray,
) -> FloatArray:
    """Return the chance that a belt fails within some days, given its age.

    Parameters
    ----------
    days : float
        From now.
    daily_mi, daily_sd_mi : ndarray of float, shape (n_belts,)
        Miles a day and their standard deviation.
    age_mi : ndarray of float, shape (n_belts,)
        Miles since fitting; NaN where not known.
    shape, scale_mi : ndarray of float, shape (n_belts,)
        Weibull life of the belt's group; NaN where none was fitted.

    Returns
    -------
    ndarray of float, shape (n_belts,)
        Chance, 0 to 1: the mean over daily miles taken as normal, by three points [1]_.

    References
    ----------
    .. [1] Abramowitz, M. and Stegun, I. A. (1964), *Handbook of Mathematical
       Functions*, 25.4.46.
    """
    chance = np.zeros(np.shape(daily_mi))
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        ahead_mi = days * np.maximum(daily_mi + node * np.asarray(daily_sd_mi), 0.0)
        chance += weight * failure_probability(
            age_mi, ahead_mi, shape=shape, scale_mi=scale_mi
        )
    return chance


@dataclass(frozen=True, slots=True, kw_only=True)
class Retensions:
    """Retensions that fall due within a plan.

    Attributes
    ----------
    due_week : ndarray of int, shape (n_jobs,)
        Week in which each falls due, 0 to n_weeks - 1.
    weekly_mi : ndarray of float, shape (n_jobs,)
        Miles a week.
    p_due, z_per_mi : ndarray of float, shape (n_jobs,)
        Chance of being under the range when it falls due, and how fast the normal
        quantile of that chance rises, per mile.
    cycle_mi : ndarray of float, shape (n_jobs,)
        Miles from one setting of the belt to the next that is due.
    """

    due_week: IntArray
    weekly_mi: FloatArray
    p_due: FloatArray
    z_per_mi: FloatArray
    cycle_mi: FloatArray

    def cost(self, costs: Costs, n_weeks: int) -> FloatArray:
        """Return what each week costs more than the due one.

        Parameters
        ----------
        costs : Costs
            Of a retension and of a mile under.
        n_weeks : int
            Weeks planned.

        Returns
        -------
        ndarray of float, shape (n_jobs, n_weeks + 1)
            Late: the miles since due, each times P(under) there, times the cost of a
            mile under. Early: the share of a cycle given away, times the cost of a
            retension. The last column is the week after the plan.
        """
        off = np.arange(n_weeks + 1) - self.due_week[:, None]
        late_mi = self.weekly_mi[:, None] * np.arange(n_weeks + 1)
        z_due = ndtri(np.clip(self.p_due, SURE, 1 - SURE))
        p_under = ndtr(z_due[:, None] + self.z_per_mi[:, None] * late_mi)
        late = _integral(costs.under_per_mi * p_under, late_mi)
        late = np.take_along_axis(late, np.maximum(off, 0), axis=1)
        early_mi = self.weekly_mi[:, None] * np.maximum(-off, 0)
        early = costs.retension * early_mi / self.cycle_mi[:, None]
        return np.asarray(late + early + LEAST_PER_WEEK * np.maximum(off, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Replacements:
    """Replacements that fall due within a plan.

    Attributes
    ----------
    due_week : ndarray of int, shape (n_jobs,)
        Week in which each falls due, 0 to n_weeks - 1.
    weekly_mi, age_mi : ndarray of float, shape (n_jobs,)
        Miles a week, and miles since fitting now.
    best_age_mi, best_cost_per_mi : ndarray of float, shape (n_jobs,)
        As in `BestAges`.
    shape, scale_mi : ndarray of float, shape (n_jobs,)
        Weibull life of the belt's group.
    """

    due_week: IntArray
    weekly_mi: FloatArray
    age_mi: FloatArray
    best_age_mi: FloatArray
    best_cost_per_mi: FloatArray
    shape: FloatArray
    scale_mi: FloatArray

    def cost(self, costs: Costs, n_weeks: int) -> FloatArray:
        """Return what each week costs more than the due one.

        Parameters
        ----------
        costs : Costs
            Of a planned replacement and of a failure.
        n_weeks : int
            Weeks planned.

        Returns
        -------
        ndarray of float, shape (n_jobs, n_weeks + 1)
            ``∫ [(Cf - Cp) h(u) - g] S(u)/S(now) du`` from the age at which it falls due
            to that in the week, g the cost rate at the best age: what the age costs
            against the long-run optimum [1]_. The last column is the week after the
            plan.

        References
        ----------
        .. [1] Barlow, R. E. and Proschan, F. (1965), *Mathematical Theory of
           Reliability*, chapter 4: (Cf - Cp) h = g at the best age.
        """
        now, k, eta, g = (
            x[:, None]
            for x in (self.age_mi, self.shape, self.scale_mi, self.best_cost_per_mi)
        )
        off = np.arange(n_weeks + 1) - self.due_week[:, None]
        due = np.maximum(self.best_age_mi, self.age_mi)[:, None]
        age = np.maximum(due + self.weekly_mi[:, None] * off, now)
        hazard = k / eta * (age / eta) ** (k - 1)
        survival = np.exp((now / eta) ** k - (age / eta) ** k)
        excess = (costs.failure - costs.planned_replacement) * hazard - g
        so_far = _integral(excess * survival, age)
        cost = so_far - np.take_along_axis(so_far, self.due_week[:, None], axis=1)
        return np.asarray(np.maximum(cost, 0.0) + LEAST_PER_WEEK * np.maximum(off, 0))


Jobs = Retensions | Replacements


def part(jobs: Jobs, rows: slice) -> Jobs:
    """Return some of the jobs.

    Parameters
    ----------
    jobs : Retensions or Replacements
        Any number of them.
    rows : slice
        Which of them.

    Returns
    -------
    Retensions or Replacements
        Those.
    """
    return replace(
        jobs, **{one.name: getattr(jobs, one.name)[rows] for one in fields(jobs)}
    )


def _integral(rate: FloatArray, at: FloatArray) -> FloatArray:
    """Integral of each row from its first point on, by trapezia."""
    area = (rate[:, 1:] + rate[:, :-1]) / 2 * np.diff(at, axis=1)
    return np.pad(np.cumsum(area, axis=1), ((0, 0), (1, 0)))
