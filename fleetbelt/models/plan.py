"""The work plan: which belt is retensioned or replaced, and in which week."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import polars as pl
from scipy.special import ndtri

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.plan_jobs import (
    SURE,
    Costs,
    Jobs,
    Replacements,
    Retensions,
    best_ages,
    p_failure_ahead,
    part,
)
from fleetbelt.models.plan_reasons import reason
from fleetbelt.models.plan_weeks import GAP, schedule_visits

FAILURE_DAYS: Final = 90.0  # of the chance of failure that a job carries
N_WEEKS: Final = 26
_BLOCK: Final = 4096  # jobs priced at a time
_AT_ONCE: Final = 2  # depots planned: integer programmes run beside each other …
_MANY_JOBS: Final = 200_000  # … but of so many jobs the costs would fill the memory

BELTS: Final = pl.Schema(
    {
        "depot_no": pl.Int64(),  # 0 … n_depots - 1
        "vehicle_no": pl.Int64(),
        "belt_no": pl.Int64(),  # one row a belt now running
        "daily_mi": pl.Float64(),  # of the vehicle, mi a day
        "daily_sd_mi": pl.Float64(),
        "due_in_mi": pl.Float64(),  # until a retension is due, mi; null: not known
        "p_under_now": pl.Float64(),  # null: not known
        "p_under_later": pl.Float64(),  # at the end of the plan, nothing being done
        "since_set_mi": pl.Float64(),  # since its tension was last set; null: not known
        "age_mi": pl.Float64(),  # since fitting; null: not known
        "shape": pl.Float64(),  # Weibull life of its group; null: no fit
        "scale_mi": pl.Float64(),
    }
)
_Kinds = tuple[tuple[IntArray, Jobs], ...]  # rows of jobs, and what they cost by
_NEEDED: Final = ("depot_no", "vehicle_no", "belt_no", "daily_mi", "daily_sd_mi")

_TOLD: Final = ("depot_no", "vehicle_no", "belt_no", "p_under_now", "best_age_mi")

JOBS: Final = pl.Schema(
    {
        "depot_no": pl.Int64(),
        "vehicle_no": pl.Int64(),
        "belt_no": pl.Int64(),
        "job": pl.String(),  # retension, replace
        "due_in_mi": pl.Float64(),
        "due_date": pl.Date(),
        "week": pl.Date(),  # its Monday; null: no room
        "weeks_late": pl.Int64(),  # below 0: early; null: no room
        "minutes": pl.Float64(),
        "p_failure_90d": pl.Float64(),
        "expected_cost": pl.Float64(),  # of that week against the due one
        "reason": pl.String(),
    }
)

DEPOTS: Final = pl.Schema(
    {
        "depot_no": pl.Int64(),
        "visits": pl.Int64(),
        "overflow": pl.Int64(),  # visits without room
        "minutes": pl.Float64(),  # of all visits
        "cost": pl.Float64(),  # of being late and early
        "bound": pl.Float64(),  # no plan costs less
        "gap": pl.Float64(),  # share of the cost, 0 to 1
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """When work falls due, how long it takes and what it costs.

    Attributes
    ----------
    costs : Costs
        Of the work and of its want.
    retension_p : float, default 0.10
        P(under) at which ``due_in_mi`` says that a retension is due.
    retension_minutes, replacement_minutes : float
        Length of a job.
    n_weeks : int, default 26
        Weeks planned, the first beginning on the first Monday from as-of on.
    gap : float, default 0.001
        Share of the cost at which the search for a better plan stops.
    """

    costs: Costs
    retension_p: float = 0.10
    retension_minutes: float = 30.0
    replacement_minutes: float = 60.0
    n_weeks: int = N_WEEKS
    gap: float = GAP


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkPlan:
    """Every job that falls due, and how good the plan of each depot is.

    Attributes
    ----------
    jobs : polars.DataFrame
        To `JOBS`, by depot and vehicle.
    depots : polars.DataFrame
        To `DEPOTS`, of depots that have jobs.
    """

    jobs: pl.DataFrame
    depots: pl.DataFrame


def first_monday(as_of: date) -> date:
    """Return the day on which the plan begins: the first Monday from as-of on."""
    return as_of + timedelta(days=-as_of.weekday() % 7)


def days_planned(as_of: date, n_weeks: int = N_WEEKS) -> int:
    """Return the days from as-of to the end of the plan."""
    return (first_monday(as_of) - as_of).days + 7 * n_weeks


def plan_work(
    belts: pl.DataFrame, capacity_minutes: FloatArray, *, as_of: date, rules: Rules
) -> WorkPlan:
    """Plan the work of the coming weeks within what each depot can do.

    Parameters
    ----------
    belts : polars.DataFrame
        One row per running belt of a vehicle in service, to `BELTS`.
    capacity_minutes : ndarray of float, shape (n_depots,) or (n_depots, n_weeks)
        Minutes a week that each depot has.
    as_of : datetime.date
        The day on which 'now' stands.
    rules : Rules
        When work falls due and what it costs.

    Returns
    -------
    WorkPlan
        Every job once: in a week, or as overflow with what waiting for the end of the
        plan costs.

    Raises
    ------
    InputError
        If a column is missing or empty, a belt comes twice, or a depot has no capacity
        given.

    Notes
    -----
    A replacement falls due at the age of least cost per mile; it sets the tension anew,
    so a belt due for both is replaced, and being under meanwhile counts. The jobs of a
    vehicle are one visit, whose cost is the sum of theirs, week by week.
    """
    calendar = _Calendar.of(as_of, rules.n_weeks)
    jobs, due = _jobs(_checked(belts), calendar, rules)
    capacity = _rows(capacity_minutes, jobs, rules)
    jobs = _with_visits(jobs, capacity)
    week, cost, depots = _weeks(jobs, due, capacity, rules)
    return WorkPlan(
        jobs=_with_weeks(jobs, week, cost, calendar, rules),
        depots=pl.DataFrame(depots, DEPOTS, orient="row"),
    )


def _with_visits(jobs: pl.DataFrame, capacity: FloatArray) -> pl.DataFrame:
    """Add the minutes of each job's visit, and of its depot's longest week."""
    longest = capacity.max(axis=1, initial=0.0)
    depot, vehicle = (jobs[name].to_numpy() for name in ("depot_no", "vehicle_no"))
    visit, begins = _runs(depot, vehicle)
    return jobs.with_columns(
        visit_minutes=_sums(jobs["minutes"].to_numpy(), begins)[visit],
        longest_week=pl.Series(longest[depot], dtype=pl.Float64),
    )


def _weeks(
    jobs: pl.DataFrame, due: _Kinds, capacity: FloatArray, rules: Rules
) -> tuple[IntArray, FloatArray, list[tuple[float, ...]]]:
    """Give each job the week of its vehicle's visit, depot by depot, and its cost.

    Also return rows of `DEPOTS`. Costs by week stand for a depot or two at a time.
    """
    depot, vehicle, minutes = (
        jobs[name].to_numpy() for name in ("depot_no", "vehicle_no", "minutes")
    )
    week, own = np.empty(depot.size, dtype=np.int64), np.empty(depot.size)

    def planned(start: int, stop: int) -> tuple[float, ...]:
        no, of = int(depot[start]), slice(start, stop)
        cost = _cost(due, start, stop, rules)
        visit, begins = _runs(vehicle[of])
        length = _sums(minutes[of], begins)
        plan = schedule_visits(length, _sums(cost, begins), capacity[no], gap=rules.gap)
        week[of] = plan.week[visit]
        own[of] = cost[np.arange(stop - start), week[of]]
        overflow = int((plan.week == capacity.shape[1]).sum())
        worth = (float(length.sum()), plan.cost, plan.bound, plan.gap)
        return no, length.size, overflow, *worth

    _, first = _runs(depot)
    starts = first.tolist()
    with ThreadPoolExecutor(_AT_ONCE if depot.size < _MANY_JOBS else 1) as threads:
        depots = list(threads.map(planned, starts, [*starts[1:], depot.size]))
    return week, own, depots


def _cost(due: _Kinds, start: int, stop: int, rules: Rules) -> FloatArray:
    """Return what some of the jobs cost, week by week."""
    cost = np.zeros((stop - start, rules.n_weeks + 1))
    for row, jobs in due:
        for begin in range(start, stop, _BLOCK):
            lo, hi = np.searchsorted(row, [begin, min(begin + _BLOCK, stop)]).tolist()
            some = part(jobs, slice(lo, hi))
            cost[row[lo:hi] - start] += some.cost(rules.costs, rules.n_weeks)
    return cost


def _rows(capacity: FloatArray, jobs: pl.DataFrame, rules: Rules) -> FloatArray:
    """Capacity by depot and week."""
    rows = np.empty((capacity.shape[0], rules.n_weeks))
    rows[:] = capacity if capacity.ndim > 1 else capacity[:, None]
    if not jobs["depot_no"].is_between(0, capacity.shape[0] - 1).all():
        raise _refusal(fault="name depots without capacity")
    return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class _Calendar:
    """The weeks planned: days from as-of to the first Monday, and how many."""

    as_of: date
    first_day: int
    n_weeks: int

    @classmethod
    def of(cls, as_of: date, n_weeks: int) -> "_Calendar":
        first_day = (first_monday(as_of) - as_of).days
        return cls(as_of=as_of, first_day=first_day, n_weeks=n_weeks)

    @property
    def n_days(self) -> int:
        return days_planned(self.as_of, self.n_weeks)

    def week(self, day: FloatArray) -> IntArray:
        """Week of a day from now; what falls before the first week belongs to it."""
        week = np.floor((day - self.first_day) / 7)
        return np.asarray(np.clip(week, 0, self.n_weeks)).astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Due:
    """One kind of job on every belt, and those that fall due within the plan."""

    mi: FloatArray  # from now, shape (n_belts,)
    day: FloatArray
    is_due: BoolArray
    jobs: Jobs  # that are due


def _jobs(
    belts: pl.DataFrame, calendar: _Calendar, rules: Rules
) -> tuple[pl.DataFrame, _Kinds]:
    """Return the jobs due within the plan, and the two kinds of them."""
    shape, scale = _columns(belts, "shape", "scale_mi")
    best = best_ages(shape, scale, costs=rules.costs)
    belts = belts.with_columns(
        best_age_mi=best.age_mi, best_cost_per_mi=best.cost_per_mi
    )
    retensions = _retensions(belts, calendar, rules)
    replacements = _replacements(belts, calendar)
    is_job = retensions.is_due | replacements.is_due
    due = tuple(
        (np.flatnonzero(kind.is_due[is_job]), kind.jobs)
        for kind in (retensions, replacements)
    )
    is_replace = replacements.is_due[is_job]
    belts = belts.filter(is_job)
    names = ("daily_mi", "daily_sd_mi", "age_mi", "shape", "scale_mi")
    own = dict(zip(names, _columns(belts, *names), strict=True))
    chance = p_failure_ahead(FAILURE_DAYS, **own)
    jobs = belts.select(
        *_TOLD,
        is_replace=is_replace,
        due_in_mi=np.where(is_replace, replacements.mi[is_job], retensions.mi[is_job]),
        due_day=np.where(is_replace, replacements.day[is_job], retensions.day[is_job]),
        minutes=np.where(
            is_replace,
            float(rules.replacement_minutes),
            float(rules.retension_minutes),
        ),
        p_failure_90d=pl.Series(chance).fill_nan(None),
    )
    return jobs, due


def _retensions(belts: pl.DataFrame, calendar: _Calendar, rules: Rules) -> _Due:
    """Return retensions; P(under) goes to its later value in a line of quantiles."""
    mi, daily = _columns(belts, "due_in_mi", "daily_mi")
    day = _days(mi, daily)
    is_due = day < calendar.n_days
    p_now, p_later, since_set = (
        column[is_due]
        for column in _columns(belts, "p_under_now", "p_under_later", "since_set_mi")
    )
    z_now, z_later = (ndtri(np.clip(p, SURE, 1 - SURE)) for p in (p_now, p_later))
    ahead_mi = np.maximum(daily[is_due] * calendar.n_days, 1.0)
    p_due = np.where((mi[is_due] > 0) | np.isnan(p_now), rules.retension_p, p_now)
    jobs = Retensions(
        due_week=calendar.week(day[is_due]),
        weekly_mi=7 * daily[is_due],
        p_due=p_due,
        z_per_mi=np.maximum(np.nan_to_num(z_later - z_now), 0.0) / ahead_mi,
        cycle_mi=np.maximum(mi[is_due] + np.nan_to_num(since_set), 1.0),
    )
    return _Due(mi=mi, day=day, is_due=is_due, jobs=jobs)


def _replacements(belts: pl.DataFrame, calendar: _Calendar) -> _Due:
    """Return replacements, due at the age of least cost per mile or now."""
    best, age, daily = _columns(belts, "best_age_mi", "age_mi", "daily_mi")
    mi = np.maximum(best - age, 0.0)
    day = _days(mi, daily)
    is_due = day < calendar.n_days
    names = ("age_mi", "best_age_mi", "best_cost_per_mi", "shape", "scale_mi")
    own = dict(zip(names, _columns(belts.filter(is_due), *names), strict=True))
    jobs = Replacements(
        due_week=calendar.week(day[is_due]), weekly_mi=7 * daily[is_due], **own
    )
    return _Due(mi=mi, day=day, is_due=is_due, jobs=jobs)


def _columns(belts: pl.DataFrame, *names: str) -> list[FloatArray]:
    """Columns as arrays, NaN where empty."""
    return [belts[name].fill_null(np.nan).to_numpy() for name in names]


def _days(mi: FloatArray, daily_mi: FloatArray) -> FloatArray:
    """Whole days until some miles are run; infinite where they never are."""
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.ceil(mi / daily_mi)
    return np.where(mi == 0, 0.0, np.where(np.isnan(days), np.inf, days))


def _runs(*keys: IntArray) -> tuple[IntArray, IntArray]:
    """Return the run of equal keys that each sorted row is in, and where runs begin."""
    is_new = np.ones(keys[0].size, dtype=bool)
    is_new[1:] = np.any([np.diff(key) != 0 for key in keys], axis=0)
    return np.cumsum(is_new) - 1, np.flatnonzero(is_new)


def _sums(value: FloatArray, starts: IntArray) -> FloatArray:
    if not starts.size:
        return value[:0]
    return np.asarray(np.add.reduceat(value, starts, axis=0))


def _with_weeks(
    jobs: pl.DataFrame,
    week: IntArray,
    cost: FloatArray,
    calendar: _Calendar,
    rules: Rules,
) -> pl.DataFrame:
    """Give the jobs their week, its cost and the reason in words."""
    monday = pl.lit(first_monday(calendar.as_of))
    has_room = pl.col("week_no") < calendar.n_weeks
    due_week = calendar.week(jobs["due_day"].to_numpy())
    return (
        jobs.with_columns(
            week_no=week,
            expected_cost=cost,
            due_date=calendar.as_of
            + pl.duration(days=pl.col("due_day").cast(pl.Int64)),
            job=pl.when("is_replace")
            .then(pl.lit("replace"))
            .otherwise(pl.lit("retension")),
        )
        .with_columns(
            week=pl.when(has_room).then(monday + pl.duration(weeks="week_no")),
            weeks_late=pl.when(has_room).then(pl.col("week_no") - due_week),
        )
        .with_columns(reason=reason(rules.retension_p, rules.n_weeks))
        .select(pl.col(name).cast(kind) for name, kind in JOBS.items())
    )


def _checked(belts: pl.DataFrame) -> pl.DataFrame:
    missing = [name for name in BELTS if name not in belts.columns]
    if missing:
        raise _refusal(fault=f"lack columns: {', '.join(missing)}")
    belts = belts.select(pl.col(name).cast(t) for name, t in BELTS.items())
    if sum(belts.select(_NEEDED).null_count().row(0)):
        raise _refusal(fault="have empty cells where a number is needed")
    miles = belts.select("daily_mi", "daily_sd_mi").to_numpy()
    if not np.all(np.isfinite(miles) & (miles >= 0)):
        raise _refusal(fault="drive negative or unknown miles")
    if belts["belt_no"].is_duplicated().any():
        raise _refusal(fault="come twice")
    return belts.sort("depot_no", "vehicle_no", "belt_no")


def _refusal(*, fault: str) -> InputError:
    return InputError(
        what=f"The running belts {fault}.",
        where="fleetbelt.models.plan.BELTS",
        fix="pass one row per running belt to that schema.",
    )
