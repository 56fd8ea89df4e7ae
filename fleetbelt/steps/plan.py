"""The work ahead: what is due, when there is room for it, and the parts it needs."""

from datetime import date
from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.plan import (
    BELTS,
    N_WEEKS,
    Rules,
    WorkPlan,
    days_planned,
    first_monday,
    plan_work,
)
from fleetbelt.models.plan_capacity import weekly_capacity
from fleetbelt.models.plan_jobs import best_ages
from fleetbelt.models.plan_parts import parts_needed
from fleetbelt.settings import Plan, Settings
from fleetbelt.steps.costs import costs
from fleetbelt.steps.tables import Tables, from_rows, to_contract
from fleetbelt.store.frames import Read

N_MONTHS: Final = 7  # the rest of as-of's and six more: they outlast the weeks
_TABLES: Final = ("work_plan", "plan_capacity", "plan_depots", "part_needs")
_SOON: Final = {"now": 0, "30d": 30, "91d": 91}
_BELTS: Final = """(
    select
        ahead.* exclude (belt_id, model, log_middle),
        lives.age_mi, lives.shape, lives.scale_mi, lives.p_failure_90d
    from marts.belts_ahead as ahead
    left join fitted.belt_lives as lives using (belt_id)
    order by ahead.belt_key
)"""
_DEPOTS: Final = """(
    select depot, cast(sum(n) as bigint) as belts, max(n) as most
    from (
        select depot, vehicle_no, count(*) as n
        from marts.belts_ahead
        group by depot, vehicle_no
    )
    group by depot
)"""
_NAMES: Final = """(
    select ahead.belt_id, vehicles.vehicle_id
    from marts.belts_ahead as ahead
    inner join staging.vehicles as vehicles using (vehicle_no)
    order by ahead.belt_key
)"""


def plan(read: Read, settings: Settings) -> Tables:
    """Plan the work of 26 weeks within what each depot can do, and count the parts."""
    as_of: date | None = read("history.as_of")["as_of"].item()
    if as_of is None:
        return {f"results.{name}": from_rows(name, []) for name in _TABLES}
    belts = read(_BELTS).with_columns(belt_no=pl.int_range(pl.len()))
    depots = _depots(read, settings.plan)
    numbers = depots.select("depot", depot_no=pl.int_range(pl.len()))
    belts = belts.join(numbers, on="depot", how="left", maintain_order="left")
    rules = Rules(
        costs=costs(read, settings),
        retension_p=settings.plan.retension_p,
        retension_minutes=settings.plan.retension_minutes,
        replacement_minutes=settings.plan.replacement_minutes,
    )
    capacity = _capacity(depots)
    found = plan_work(belts.select(BELTS.names()), capacity, as_of=as_of, rules=rules)
    jobs = found.jobs
    return {
        "results.plan_capacity": _weeks(jobs, depots, capacity, as_of),
        "results.plan_depots": _summary(jobs, depots, found, as_of),
        "results.part_needs": _parts(belts, jobs, as_of, rules),
        "results.work_plan": _told(read, jobs, belts),
    }


def _depots(read: Read, settings: Plan) -> pl.DataFrame:
    """Return the depots with belts, or named in the settings, and their minutes.

    Not given, a depot's minutes are what it did a week in the last year; one that did
    nothing gets the fleet's minutes a vehicle.
    """
    given = pl.DataFrame(
        {
            "depot": list(settings.weekly_minutes),
            "given": list(settings.weekly_minutes.values()),
        },
        {"depot": pl.String, "given": pl.Float64},
    )
    done = (
        settings.replacement_minutes * pl.col("installs")
        + settings.retension_minutes * pl.col("retensions")
    ) / pl.col("weeks")
    a_vehicle = pl.col("done").sum() / pl.col("vehicles").sum().clip(lower_bound=1)
    work = (
        read("(from marts.depot_work order by depot)")
        .with_columns(done=done)
        .with_columns(a_vehicle=a_vehicle)
    )
    longest = max(settings.replacement_minutes, settings.retension_minutes)
    mostly = read(_DEPOTS).select(
        "depot", "belts", longest_minutes=longest * pl.col("most").cast(pl.Float64)
    )
    fleet = pl.col("a_vehicle") * pl.col("vehicles")
    return (
        mostly.join(given, on="depot", how="full", coalesce=True)
        .join(work, on="depot", how="left")
        .with_columns(pl.col("done", "vehicles", "a_vehicle").fill_null(0))
        .with_columns(
            pl.col("belts").fill_null(0),
            pl.col("longest_minutes").fill_null(0.0),
            weekly_minutes=pl.when(pl.col("given").is_not_null())
            .then("given")
            .when(pl.col("done") > 0)
            .then("done")
            .otherwise(fleet),
            weekly_minutes_from=pl.when(pl.col("given").is_not_null())
            .then(pl.lit("settings"))
            .when(pl.col("done") > 0)
            .then(pl.lit("records"))
            .when(fleet > 0)
            .then(pl.lit("fleet"))
            .otherwise(pl.lit("none")),
        )
        .sort("depot")
    )


def _capacity(depots: pl.DataFrame) -> FloatArray:
    """Minutes by depot and week: as given, else as `weekly_capacity` deals them out."""
    weekly, longest = (
        depots[name].to_numpy() for name in ("weekly_minutes", "longest_minutes")
    )
    is_given = (depots["weekly_minutes_from"] == "settings").to_numpy()[:, None]
    dealt = weekly_capacity(weekly, longest, n_weeks=N_WEEKS)
    return np.where(is_given, weekly[:, None], dealt)


def _weeks(
    jobs: pl.DataFrame, depots: pl.DataFrame, capacity: FloatArray, as_of: date
) -> pl.DataFrame:
    """Hold each depot's planned minutes against those it has, week by week."""
    week = first_monday(as_of) + pl.duration(weeks=pl.int_range(N_WEEKS))
    weeks = pl.select(week=week.cast(pl.Date))
    planned = jobs.group_by("depot_no", "week", maintain_order=True).agg(
        minutes_planned=pl.col("minutes").sum(),
        visits=pl.col("vehicle_no").n_unique(),
        jobs=pl.len(),
    )
    frame = (
        depots.select("depot", depot_no=pl.int_range(pl.len()))
        .join(weeks, how="cross")
        .with_columns(minutes_capacity=pl.Series(capacity.ravel(), dtype=pl.Float64))
        .join(planned, on=["depot_no", "week"], how="left", maintain_order="left")
        .with_columns(pl.col("minutes_planned", "visits", "jobs").fill_null(0))
    )
    return to_contract("plan_capacity", frame)


def _summary(
    jobs: pl.DataFrame, depots: pl.DataFrame, found: WorkPlan, as_of: date
) -> pl.DataFrame:
    """Say of each depot, and of all, what is due, what fits and how near the best."""
    days = (pl.col("due_date") - pl.lit(as_of)).dt.total_days()
    left, minutes = pl.col("week").is_null(), pl.col("minutes")
    counts = jobs.group_by("depot_no", maintain_order=True).agg(
        *((days <= until).sum().alias(f"jobs_{name}") for name, until in _SOON.items()),
        *(
            minutes.filter(days <= until).sum().alias(f"minutes_{name}")
            for name, until in _SOON.items()
        ),
        jobs=pl.len(),
        overflow_jobs=left.sum(),
        overflow_minutes=minutes.filter(left).sum(),
        overflow_cost=pl.col("expected_cost").filter(left).sum(),
    )
    worth = found.depots.rename({"overflow": "overflow_visits"})
    by_depot = (
        depots.select("depot", "belts", "weekly_minutes", "weekly_minutes_from")
        .with_columns(depot_no=pl.int_range(pl.len()))
        .join(counts, on="depot_no", how="left")
        .join(worth.drop("gap"), on="depot_no", how="left")
        .drop("depot_no")
        .sort("depot")
        .with_columns(pl.selectors.numeric().fill_null(0))
    )
    froms = by_depot["weekly_minutes_from"].unique()
    together = by_depot.select(pl.selectors.numeric().sum()).with_columns(
        depot=pl.lit("all"),
        weekly_minutes_from=pl.lit(
            froms[0] if froms.len() == 1 else "several" if froms.len() else "none"
        ),
    )
    frame = pl.concat([by_depot, together.select(by_depot.columns)])
    gap = (pl.col("cost") - pl.col("bound")) / pl.col("cost")
    return to_contract(
        "plan_depots",
        frame.with_columns(
            gap=pl.when(pl.col("cost") > 0).then(gap.clip(lower_bound=0)).otherwise(0.0)
        ),
    )


def _parts(
    belts: pl.DataFrame, jobs: pl.DataFrame, as_of: date, rules: Rules
) -> pl.DataFrame:
    """Count the belts needed by drive, by part number and in all."""
    drives = (
        belts.group_by("drive_id")
        .agg(pl.col("part_number").first(), belts=pl.len())
        .sort("part_number", "drive_id")
        .with_columns(drive_no=pl.int_range(pl.len()))
    )
    parts = drives.group_by("part_number", maintain_order=True).agg(
        pl.col("belts").sum(), first=pl.col("drive_no").min(), drives=pl.len()
    )
    every, names = pl.lit("all"), ("drive_id", "part_number", "belts")
    whole = (every.alias("drive_id"), every.alias("part_number"), pl.col("belts").sum())
    kinds = pl.concat(
        [
            drives.select(names),
            parts.with_columns(drive_id=every).select(names),
            drives.select(whole),
        ]
    ).with_columns(drive_no=pl.int_range(pl.len()))
    runs = parts.select("first", "drives").iter_rows()
    planned_in_days = _planned_in(belts, jobs, as_of, rules)
    needed = parts_needed(
        belts.with_columns(planned_in_days=planned_in_days).join(drives, on="drive_id"),
        as_of=as_of,
        n_months=N_MONTHS,
        unions=[*(range(first, first + n) for first, n in runs), range(drives.height)],
    )
    return to_contract("part_needs", needed.join(kinds, on="drive_no"))


def _planned_in(
    belts: pl.DataFrame, jobs: pl.DataFrame, as_of: date, rules: Rules
) -> pl.Series:
    """Days until each belt is replaced as planned; null: never, or there is no room.

    Those that are due after the plan are replaced on the day they are.
    """
    shape, scale, age, daily = (
        belts[name].fill_null(np.nan).to_numpy()
        for name in ("shape", "scale_mi", "age_mi", "daily_mi")
    )
    best = best_ages(shape, scale, costs=rules.costs).age_mi
    with np.errstate(divide="ignore", invalid="ignore"):
        in_days = np.maximum((best - age) / daily, days_planned(as_of))
    replaced = jobs.filter(job="replace").select(
        "belt_no", days=(pl.col("week") - pl.lit(as_of)).dt.total_days()
    )
    in_days[replaced["belt_no"]] = replaced["days"].cast(pl.Float64).fill_null(np.nan)
    return pl.Series(in_days).fill_nan(None)


def _told(read: Read, jobs: pl.DataFrame, belts: pl.DataFrame) -> pl.DataFrame:
    """Give the jobs their names, which no number of the plan rests on."""
    names = read(_NAMES)[jobs["belt_no"]]
    own = belts.select("depot", "odometer_now_mi", "p_failure_90d")[jobs["belt_no"]]
    told = jobs.drop("p_failure_90d").hstack(names).hstack(own)
    return to_contract(
        "work_plan",
        told.with_columns(
            due_odometer_mi=pl.col("odometer_now_mi") + pl.col("due_in_mi")
        ),
    )
