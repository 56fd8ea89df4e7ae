"""What the plan reckons with: costs from the settings, shares from the records."""

from typing import Final

import polars as pl

from fleetbelt.models.plan import N_WEEKS
from fleetbelt.models.plan_jobs import Costs
from fleetbelt.settings import Settings
from fleetbelt.steps.tables import Tables, from_rows
from fleetbelt.store.frames import Read

_UNDER: Final = ("loose", "under")
_SUMS: Final = "(from marts.policy_sums order by model, band)"
_ENDS: Final = (
    "(select count(*) filter (where ending = 'exact') as broken,"
    " count(*) filter (where ending in ('exact', 'interval')) as failures"
    " from marts.lives)"
)


def costs(read: Read, settings: Settings) -> Costs:
    """Return what things cost, with what the records say of failures and of noise.

    A mile under the range costs what belts that were left under fail and are heard
    more, a mile, than belts of their model that were left in range; at least nothing.
    """
    given = settings.plan.costs
    broken, failures = read(_ENDS).row(0)
    priced = Costs(
        planned_replacement=given.planned_replacement,
        road_failure=given.road_failure,
        retension=given.retension,
        complaint_visit=given.complaint_visit,
        road_share=broken / failures if failures else 1.0,
    )
    return Costs(
        planned_replacement=priced.planned_replacement,
        road_failure=priced.road_failure,
        retension=priced.retension,
        complaint_visit=priced.complaint_visit,
        road_share=priced.road_share,
        under_per_mi=_under_per_mi(read(_SUMS), priced),
    )


def _under_per_mi(sums: pl.DataFrame, priced: Costs) -> float:
    """Return the cost of a mile under, against one in range of the same model."""
    counts = ("miles", "complaints", "failures")
    in_range = sums.filter((pl.col("band") == "in_spec") & (pl.col("miles") > 0))
    under = (
        sums.filter(pl.col("band").is_in(_UNDER))
        .join(in_range.select("model", *counts), on="model", suffix="_in_range")
        .sort("model", "band")  # sums of floats repeat only in one order
        .select(
            "miles",
            *(
                (
                    pl.col(name)
                    - pl.col("miles")
                    * pl.col(f"{name}_in_range")
                    / pl.col("miles_in_range")
                ).alias(name)
                for name in counts[1:]
            ),
        )
        .sum()
        .row(0, named=True)
    )
    more = (
        priced.complaint_visit * under["complaints"]
        + priced.failure * under["failures"]
    )
    return max(more / under["miles"], 0.0) if under["miles"] else 0.0


def assumptions(read: Read, settings: Settings) -> Tables:
    """Write down every number that the plan reckons with, and where it is from."""
    plan, priced = settings.plan, costs(read, settings)
    failures = read(_ENDS)["failures"].item()
    money, chance, minutes = "currency", "share", "minutes"
    rows = [
        ("cost_planned_replacement", priced.planned_replacement, money, "settings",
         "a belt replaced as planned: part, work, the vehicle's absence"),
        ("cost_road_failure", priced.road_failure, money, "settings",
         "a belt that breaks on the road, with tow and downtime"),
        ("cost_retension", priced.retension, money, "settings",
         "a belt retensioned, or rechecked after run-in"),
        ("cost_complaint_visit", priced.complaint_visit, money, "settings",
         "a visit for a noise complaint"),
        ("road_share", priced.road_share if failures else None, chance, "records",
         "of failures that broke on the road; others cost a planned replacement"),
        ("cost_failure", priced.failure if failures else None, money, "records",
         "a failure on average, by that share"),
        ("under_cost_per_1000mi", 1000 * priced.under_per_mi, "currency per 1,000 mi",
         "records",
         "what belts left under fail and are heard more; not proof of cause"),
        ("retension_p", plan.retension_p, chance, "settings",
         "chance of being under its range at which a belt is due"),
        ("retension_minutes", plan.retension_minutes, minutes, "settings",
         "length of a retension"),
        ("replacement_minutes", plan.replacement_minutes, minutes, "settings",
         "length of a replacement"),
        ("weeks", float(N_WEEKS), "weeks", "settings", "weeks planned; fixed"),
    ]  # fmt: skip
    names = ("key", "value", "unit", "source", "meaning")
    return {
        "results.plan_assumptions": from_rows(
            "plan_assumptions", [dict(zip(names, row, strict=True)) for row in rows]
        )
    }
