"""What if: complaints, road failures and cost a year under other ways of working."""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import polars as pl

from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.plan_jobs import Costs, best_ages
from fleetbelt.models.policy_inputs import IN_RANGE, Drawn, Fleet

ASSUMPTION: Final = (
    "Belts of each tension at install fail and are heard as in these records, on the "
    "fleet's own miles, and new belts follow as they fail or come off, over the long "
    "run: while belts are younger on the whole, fewer of them fail in a year. That is "
    "association in these records, not proof of cause. A group of few failures or "
    "complaints is given those of a wider group, which hides what it would show itself."
)
POLICIES: Final = {
    "as_today": "Belts are set, checked and taken off as in these records.",
    "all_in_range": (
        "Every install with a reading is left in range; one without stays as it is."
    ),
    "recheck_always": (
        "Every install is rechecked after run-in and left as the rechecked ones were."
    ),
    "retension_at_threshold": (
        "A belt is retensioned whenever the chance that it is under its range reaches "
        "the threshold; those left under at install are so at once."
    ),
    "replace_at_age": (
        "A belt is replaced at the age of least cost per mile, or run to failure where "
        "there is none; no sound belt comes off by mileage or age before."
    ),
    "all_together": "All of these at once.",
}

WHAT_IF: Final = pl.Schema(
    {
        "policy": pl.String(),
        "complaints_per_year": pl.Float64(),
        "complaints_lo": pl.Float64(),
        "complaints_hi": pl.Float64(),
        "road_failures_per_year": pl.Float64(),
        "road_failures_lo": pl.Float64(),
        "road_failures_hi": pl.Float64(),
        "cost_per_year": pl.Float64(),
        "cost_lo": pl.Float64(),
        "cost_hi": pl.Float64(),
        "saving_per_year": pl.Float64(),  # of cost, against as_today
        "saving_lo": pl.Float64(),
        "saving_hi": pl.Float64(),
        "assumption": pl.String(),  # in words
    }
)
_NODES, _WEIGHTS = (x / 2 for x in np.polynomial.legendre.leggauss(64))
_FAR: Final = 36.0  # cumulative hazard beyond which no belt is left
_MOST_TURNS: Final = 40  # retensions of one belt


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """A way of working; bands are those of the tension at install."""

    left_in_range: tuple[str, ...] = ()  # bands that no longer occur
    retensioned: tuple[str, ...] = ()  # bands mended at once, and held by drift
    rechecks_all: bool = False
    replaces_at_age: bool = False


_UNDER: Final = ("loose", "under")
_OUT: Final = (*_UNDER, "over", "tight")
_WAYS: Final = {
    "as_today": _Way(),
    "all_in_range": _Way(left_in_range=_OUT),
    "recheck_always": _Way(rechecks_all=True),
    "retension_at_threshold": _Way(retensioned=_UNDER),
    "replace_at_age": _Way(replaces_at_age=True),
    "all_together": _Way(
        left_in_range=_OUT,
        retensioned=_UNDER,
        rechecks_all=True,
        replaces_at_age=True,
    ),
}


def what_if(
    fleet: Fleet,
    *,
    costs: Costs,
    rng: np.random.Generator,
    n_draws: int = 1000,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Compare ways of working by what they bring a year.

    Parameters
    ----------
    fleet : Fleet
        Miles, rates and lives.
    costs : Costs
        Of the work and of its want; ``under_per_mi`` is not looked at.
    rng : numpy.random.Generator
        Where the draws come from.
    n_draws : int, default 1000
        Of the parametric bootstrap.
    confidence : float, default 0.95
        Of the limits, which are quantiles of the draws.

    Returns
    -------
    polars.DataFrame
        To `WHAT_IF`, in the order of `POLICIES`; savings are compared draw by draw.

    Notes
    -----
    A belt place renews: a belt of band b runs ``∫ S(u) e^{-ru} du`` miles to its
    replacement age, r the rate at which sound belts come off, and fails, reaches that
    age or comes off sound with chances that add up to 1. Long-run rates per mile are
    means over a renewal divided by its mean miles [1]_, the bands mixed as the installs
    are. A belt that fails and does not break runs on until it is found. Replacement
    ages are those of the estimates, in all draws. A recheck costs what a retension
    costs.

    References
    ----------
    .. [1] Ross, S. M. (1996), *Stochastic Processes*, 2nd ed., theorem 3.6.1.
    """
    drawn = Drawn.of(fleet, road_share=costs.road_share, n_draws=n_draws, rng=rng)
    at_age = {
        is_aged: _Belts.of(fleet, drawn, costs, is_aged=is_aged)
        for is_aged in (False, True)
    }
    years = {
        name: _year(fleet, drawn, way, costs, at_age[way.replaces_at_age])
        for name, way in _WAYS.items()
    }
    today = years["as_today"].cost
    tail = (1 - confidence) / 2
    rows = []
    for name, year in years.items():
        row: list[float | str] = [name]
        for value in (year.complaints, year.road, year.cost, today - year.cost):
            lo, hi = np.quantile(value[1:], [tail, 1 - tail])
            row += [float(value[0]), float(lo), float(hi)]
        rows.append([*row, f"{POLICIES[name]} {ASSUMPTION}"])
    return pl.DataFrame(rows, WHAT_IF, orient="row")


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """What becomes of a new belt; arrays of one shape.

    Attributes
    ----------
    miles : ndarray of float
        Mean miles to its end.
    failed, aged, sound : ndarray of float
        Chances that it fails, reaches its replacement age, or comes off sound before;
        they add up to 1.
    """

    miles: FloatArray
    failed: FloatArray
    aged: FloatArray
    sound: FloatArray


def renewal(
    shape: FloatArray,
    scale_mi: FloatArray,
    age_mi: FloatArray,
    sound_per_mi: FloatArray,
) -> Renewal:
    """Follow new belts to failure, to an age, or until they come off sound.

    Parameters
    ----------
    shape, scale_mi : ndarray of float
        Weibull lives.
    age_mi : ndarray of float
        Age at which they are replaced; infinite where they are run to failure.
    sound_per_mi : ndarray of float
        Rate r at which sound belts come off.

    Returns
    -------
    Renewal
        Miles ``∫ S(u) e^{-ru} du``, sound r times that, aged ``S e^{-ru}`` at the age.
        By Gauss and Legendre in ``s = √(u / end)``, which is gentle on shapes below 1.
    """
    end = np.minimum(age_mi, scale_mi * _FAR ** (1 / shape))
    end = np.minimum(end, _FAR / np.maximum(sound_per_mi, 1e-12))
    x, steps = (end / scale_mi) ** shape, sound_per_mi * end
    total = np.zeros(np.broadcast(x, steps).shape)
    for node, weight in zip(_NODES + 0.5, _WEIGHTS, strict=True):
        left = np.exp(-x * node ** (2 * shape) - steps * node**2)
        total += 2 * weight * node * left
    miles = end * total
    aged = np.where(np.isfinite(age_mi), np.exp(-x - steps), 0.0)
    sound = sound_per_mi * miles
    failed = np.maximum(1.0 - aged - sound, 0.0)
    return Renewal(miles=miles, failed=failed, aged=aged, sound=sound)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Year:
    """What a year brings, shape (1 + n_draws,)."""

    complaints: FloatArray
    road: FloatArray
    cost: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Belts:
    """What becomes of new belts, whether replaced at the best age or never for it."""

    age_mi: FloatArray  # (n_cells,)
    off_per_mi: FloatArray  # (1 + n_draws, n_cells): rate at which sound ones come off
    new: Renewal

    @classmethod
    def of(cls, fleet: Fleet, drawn: Drawn, costs: Costs, *, is_aged: bool) -> Self:
        best = best_ages(drawn.shape[0], drawn.scale_mi[0], costs=costs).age_mi
        age = (
            np.nan_to_num(best, nan=np.inf) if is_aged else np.full(best.shape, np.inf)
        )
        off = drawn.other_per_mi + (0.0 if is_aged else drawn.preventive_per_mi)
        off = off[:, fleet.stratum]
        new = renewal(drawn.shape, drawn.scale_mi, age, off)
        return cls(age_mi=age, off_per_mi=off, new=new)


def _year(fleet: Fleet, drawn: Drawn, way: _Way, costs: Costs, belts: _Belts) -> _Year:
    of, n = fleet.stratum, fleet.strata.height
    mix, mended, rechecked = _installs(fleet, drawn, way)
    new = belts.new
    miles, late_mi = (
        fleet.strata[name].to_numpy() for name in ("miles_per_year", "found_late_mi")
    )
    ran = new.miles + new.failed * (1 - drawn.road_share)[:, None] * late_mi[of]
    installs = miles / _by(of, mix * ran, n)
    fitted = installs[:, of] * mix
    complaints = (fitted * ran * drawn.complaints_per_mi).sum(axis=1)
    failures = (fitted * new.failed).sum(axis=1)
    road = failures * drawn.road_share
    replaced = fitted.sum(axis=1) - road
    retensions = _retensions(fleet, drawn, way, fitted, belts)
    visits = (installs * (rechecked + mended) + retensions).sum(axis=1)
    cost = (
        costs.complaint_visit * complaints
        + costs.road_failure * road
        + costs.planned_replacement * replaced
        + costs.retension * visits
    )
    return _Year(complaints=complaints, road=road, cost=cost)


def _installs(
    fleet: Fleet, drawn: Drawn, way: _Way
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shares of installs: by band, mended at once, and rechecked.

    The first sums to 1 in each stratum; the others are shares of all its installs.
    """
    of, n = fleet.stratum, fleet.strata.height
    band = fleet.cells["band"].to_numpy()
    every = drawn.rechecked + drawn.not_rechecked
    rechecked = _by(of, drawn.rechecked, n)
    share = rechecked / _by(of, every, n)
    if way.rechecks_all:
        every = np.where(rechecked[:, of] > 0, drawn.rechecked, every)
        share = np.ones(share.shape)
    mix = every / _by(of, every, n)[:, of]
    mended = np.zeros(share.shape)
    for bands in (way.left_in_range, way.retensioned):
        moved = np.where(np.isin(band, bands), mix, 0.0)
        mended = _by(of, moved, n)
        mix = mix - moved + np.where(band == IN_RANGE, mended[:, of], 0.0)
    return mix, mended, share


def _retensions(
    fleet: Fleet,
    drawn: Drawn,
    way: _Way,
    fitted: FloatArray,
    belts: _Belts,
) -> FloatArray:
    """Retensions a year by stratum: as today, or each time a belt has come so far."""
    of, n = fleet.stratum, fleet.strata.height
    today = np.broadcast_to(
        fleet.strata["retensions_per_year"].to_numpy(), drawn.retension_every_mi.shape
    )
    if not way.retensioned:
        return today
    every = drawn.retension_every_mi[:, of]
    left = np.zeros(every.shape)
    for turn in range(1, _MOST_TURNS + 1):
        at = turn * every
        alive = np.exp(-((at / drawn.scale_mi) ** drawn.shape) - belts.off_per_mi * at)
        left += np.where(at < belts.age_mi, alive, 0.0)
    return np.where(
        np.isnan(drawn.retension_every_mi), today, _by(of, fitted * left, n)
    )


def _by(of: IntArray, value: FloatArray, n: int) -> FloatArray:
    """Add up the cells of each stratum, shape (1 + n_draws, n_strata)."""
    is_of = np.equal.outer(of, np.arange(n)).astype(float)
    return np.asarray(value @ is_of)
