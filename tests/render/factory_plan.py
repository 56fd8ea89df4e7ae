"""Invented results of the plan, in the columns of the contract."""

from datetime import date, timedelta

import numpy as np
import polars as pl

from fleetbelt.models.policy import ASSUMPTION, POLICIES
from fleetbelt.models.replacement import age_replacement, replacement_cost_per_mi

AS_OF = date(2026, 6, 30)
MONDAY = date(2026, 7, 6)
WEEKLY_MINUTES = 75.0
COSTS = {"cost_planned": 150.0, "cost_failure": 420.0}


def plan(
    vehicles: pl.DataFrame, models: list[str], seed: int
) -> dict[str, pl.DataFrame]:
    """Return the tables of the plan for an invented fleet."""
    rng = np.random.default_rng(seed + 2)
    jobs = _work_plan(rng, vehicles)
    return {
        "results.work_plan": jobs,
        "results.plan_capacity": _capacity(jobs),
        "results.plan_depots": _depots(jobs, vehicles),
        "results.part_needs": _parts(rng),
        "results.replacement_age": _ages(models),
        "results.replacement_curve": _curves(models),
        "results.what_if": _what_if(),
        "results.plan_assumptions": _assumptions(),
    }


def _work_plan(rng: np.random.Generator, vehicles: pl.DataFrame) -> pl.DataFrame:
    n = vehicles.height
    due = [
        AS_OF + timedelta(days=int(d)) for d in np.maximum(0, rng.integers(-60, 180, n))
    ]
    week = [MONDAY + timedelta(weeks=max(0, (d - AS_OF).days // 7)) for d in due]
    is_replace = rng.random(n) > 0.8
    fits = np.arange(n) % 9 != 0
    return vehicles.select(
        "vehicle_id", (pl.col("vehicle_id") + "/D1/3").alias("belt_id"), "depot"
    ).with_columns(
        job=pl.Series(np.where(is_replace, "replace", "retension")),
        due_odometer_mi=pl.Series(rng.uniform(40_000, 90_000, n)),
        due_date=pl.Series(due),
        week=pl.Series([w if f else None for w, f in zip(week, fits, strict=True)],
                       dtype=pl.Date),
        weeks_late=pl.Series([0 if f else None for f in fits], dtype=pl.Int64),
        minutes=pl.Series(np.where(is_replace, 60.0, 30.0)),
        p_failure_90d=pl.Series(rng.uniform(0, 0.2, n)),
        expected_cost=pl.Series(rng.uniform(0, 3, n) + 90.0 * ~fits),
        reason=pl.Series(["P(under) reaches 10 %" if f else
                          "overflow: no room in 26 weeks; P(under) is 34 % now"
                          for f in fits]),
    )  # fmt: skip


def _capacity(jobs: pl.DataFrame) -> pl.DataFrame:
    weeks = pl.DataFrame({"week": [MONDAY + timedelta(weeks=k) for k in range(26)]})
    planned = jobs.drop_nulls("week").group_by("depot", "week").agg(
        pl.col("minutes").sum().alias("minutes_planned"),
        pl.col("vehicle_id").n_unique().cast(pl.Int64).alias("visits"),
        pl.len().cast(pl.Int64).alias("jobs"),
    )  # fmt: skip
    return (
        jobs.select(pl.col("depot").unique())
        .join(weeks, how="cross")
        .with_columns(minutes_capacity=pl.lit(WEEKLY_MINUTES))
        .join(planned, on=["depot", "week"], how="left")
        .with_columns(pl.col("minutes_planned", "visits", "jobs").fill_null(0))
    )


def _depots(jobs: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    days = (pl.col("due_date") - pl.lit(AS_OF)).dt.total_days()
    left = pl.col("week").is_null()
    soon = {"now": days <= 0, "30d": days <= 30, "91d": days <= 91}
    sums = [
        *(flag.sum().cast(pl.Int64).alias(f"jobs_{k}") for k, flag in soon.items()),
        *(pl.col("minutes").filter(flag).sum().alias(f"minutes_{name}")
          for name, flag in soon.items()),
        pl.len().cast(pl.Int64).alias("jobs"),
        pl.col("minutes").sum(),
        pl.len().cast(pl.Int64).alias("visits"),
        left.sum().cast(pl.Int64).alias("overflow_visits"),
        left.sum().cast(pl.Int64).alias("overflow_jobs"),
        pl.col("minutes").filter(left).sum().alias("overflow_minutes"),
        pl.col("expected_cost").filter(left).sum().alias("overflow_cost"),
        pl.col("expected_cost").sum().alias("cost"),
    ]  # fmt: skip
    by_depot = jobs.group_by("depot").agg(sums).sort("depot")
    n = by_depot.height
    own = ["records" if k % 2 else "settings" for k in range(n)]
    by_depot = by_depot.with_columns(
        weekly_minutes_from=pl.Series(own), weekly_minutes=pl.lit(WEEKLY_MINUTES)
    )
    whole = jobs.select(pl.lit("all").alias("depot"), *sums).with_columns(
        weekly_minutes_from=pl.lit("several"), weekly_minutes=n * WEEKLY_MINUTES
    )
    return pl.concat([by_depot, whole.select(by_depot.columns)]).with_columns(
        belts=pl.lit(vehicles.height, dtype=pl.Int64),
        bound=pl.col("cost") * 0.9996,
        gap=pl.lit(0.0004),
    )


def _parts(rng: np.random.Generator) -> pl.DataFrame:
    months = [date(2026, 6, 1), *(date(2026, m, 1) for m in range(7, 13))]
    rows = []
    for drive, part in (("D1", "PN-1"), ("D2", "PN-2"), ("D3", None), ("all", "PN-1"),
                        ("all", "PN-2"), ("all", None), ("all", "all")):  # fmt: skip
        for place, month in enumerate(months):
            scale = (3.0 if part == "all" else 1.0) * (0.1 if place == 0 else 1.0)
            expected = scale * float(rng.uniform(3, 9))
            rows.append(
                {
                    "drive_id": drive,
                    "part_number": part,
                    "month": month,
                    "belts": 60 if part == "all" else 20,
                    "planned": float(int(expected / 2)),
                    "expected": expected,
                    "lo": int(max(0, expected - 2 * expected**0.5)),
                    "hi": int(expected + 2 * expected**0.5 + 1),
                }
            )
    return pl.DataFrame(rows)


def _lives(models: list[str]) -> dict[str, tuple[float, float]]:
    """Return shape and scale of each model; the last has no wear-out."""
    lives = {"all": (2.4, 92_000.0)}
    for k, model in enumerate(models):
        lives[model] = (2.8 - 0.35 * k, 70_000.0 + 9_000 * k)
    return lives


def _ages(models: list[str]) -> pl.DataFrame:
    rows = []
    for model, (shape, scale_mi) in _lives(models).items():
        best = age_replacement(shape=shape, scale_mi=scale_mi, **COSTS)
        age = best.age_mi if best.is_worthwhile else None
        rows += [
            {
                "model": model,
                "band": band,
                "life_model": model,
                "life_band": "all",
                "shape": shape,
                "scale_mi": scale_mi,
                "advice": "replace" if age else "run_to_failure",
                "age_mi": age,
                "age_from_mi": age and age * 0.8,
                "age_to_mi": age and age * 1.35,
                "failed_share": best.failed_share if age else None,
                "cost_per_1000mi": age and 1000 * (best.cost_per_mi or 0.0),
                "cost_per_1000mi_to_failure": 1000 * best.cost_per_mi_to_failure,
                "saving_share": best.saving,
                "saving_lo": best.saving * 0.6,
                "saving_hi": best.saving * 1.3,
                "reason": best.reason or "Replacing at that age costs least.",
            }
            for band in ("all", "under")
        ]
    return pl.DataFrame(rows, infer_schema_length=None)


def _curves(models: list[str]) -> pl.DataFrame:
    parts = []
    for model, (shape, scale_mi) in _lives(models).items():
        age = np.linspace(0.03, 1.8, 60) * scale_mi
        cost = replacement_cost_per_mi(age, shape=shape, scale_mi=scale_mi, **COSTS)
        parts += [
            pl.DataFrame(
                {
                    "model": model,
                    "band": band,
                    "age_mi": age,
                    "cost_per_1000mi": 1000 * cost,
                    "failed_share": -np.expm1(-((age / scale_mi) ** shape)),
                }
            )
            for band in ("all", "under")
        ]
    return pl.concat(parts)


def _what_if() -> pl.DataFrame:
    cost = np.array([41_000.0, 33_000.0, 37_500.0, 35_200.0, 40_100.0, 29_800.0])
    road = np.array([21.0, 16.0, 19.0, 17.0, 12.0, 9.5])
    complaints = np.array([410.0, 290.0, 350.0, 300.0, 405.0, 240.0])
    saving = cost[0] - cost
    return pl.DataFrame(
        {
            "policy": list(POLICIES),
            "complaints_per_year": complaints,
            "complaints_lo": 0.9 * complaints,
            "complaints_hi": 1.1 * complaints,
            "road_failures_per_year": road,
            "road_failures_lo": 0.7 * road,
            "road_failures_hi": 1.4 * road,
            "cost_per_year": cost,
            "cost_lo": 0.88 * cost,
            "cost_hi": 1.13 * cost,
            "saving_per_year": saving,
            "saving_lo": 0.4 * saving,
            "saving_hi": 1.5 * saving,
            "assumption": [f"{words} {ASSUMPTION}" for words in POLICIES.values()],
        }
    )


def _assumptions() -> pl.DataFrame:
    rows = [
        ("cost_planned_replacement", 150.0, "currency", "settings", "a belt replaced"),
        ("cost_road_failure", 900.0, "currency", "settings", "a belt that breaks"),
        ("road_share", 0.36, "share", "records", "of failures that broke on the road"),
        ("retension_minutes", 30.0, "minutes", "settings", "length of a retension"),
    ]
    names = ["key", "value", "unit", "source", "meaning"]
    return pl.DataFrame(rows, names, orient="row")
