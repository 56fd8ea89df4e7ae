"""The files of the work plan, beside the CSV and Parquet of every table."""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Final

import polars as pl

from fleetbelt.takeaway.events import calendar
from fleetbelt.takeaway.workbook import write_workbook

NEEDED: Final = ("results.work_plan", "results.run_info")
CAUTION: Final = (
    "Estimates from records, not a repair instruction. The vehicle maker's service "
    "manual, local codes and licensed practice come first. Read the belt, engine off "
    "and key controlled, before you act on it."
)
MOST_JOBS: Final = 10_000  # in the workbook: nobody reads on, and a sheet has an end
_SAID: Final = ("due_date", "due_odometer_mi", "minutes")  # of a job, in the calendar
_ORDER: Final = ("depot", "week", "vehicle_id", "belt_id", "job")


def write_work_plan(results: Mapping[str, pl.DataFrame], folder: Path) -> list[Path]:
    """Write ``work_plan.xlsx`` and ``work_plan.ics``; same plan, same bytes.

    A workbook of a large fleet holds the first weeks and says so on its first sheet.

    Parameters
    ----------
    results : Mapping of str to polars.DataFrame
        Tables by name, see `NEEDED`.
    folder : Path
        Where to write; it exists.

    Returns
    -------
    list of Path
        The files written: none where no plan was made, both where one was that holds
        no job.
    """
    if not all(name in results for name in NEEDED):
        return []
    plan = results["results.work_plan"]
    facts = dict(results["results.run_info"].select("key", "value").iter_rows())
    as_of = date.fromisoformat(facts["as_of"]) if facts.get("as_of") else None
    if as_of is None:  # without a record there is no 'now' to plan from
        return []
    book, diary = folder / "work_plan.xlsx", folder / "work_plan.ics"
    first = _first_weeks(plan).sort(*_ORDER, nulls_last=True)
    write_workbook(
        first,
        book,
        as_of=as_of,
        currency=facts.get("currency") or "",
        caution=CAUTION,
        left_out=_left_out(plan, first),
    )
    dated = plan.select(*_ORDER, *_SAID).sort(*_ORDER, nulls_last=True)
    diary.write_bytes(calendar(dated, as_of=as_of, caution=CAUTION))
    return [book, diary]


def _first_weeks(plan: pl.DataFrame) -> pl.DataFrame:
    """Return the jobs of the first weeks, whole, up to `MOST_JOBS`; of one at least.

    The jobs without a week come after the last.
    """
    weeks = plan.group_by("week").len().sort("week", nulls_last=True)
    fits = (pl.col("len").cum_sum() <= MOST_JOBS) | (pl.int_range(pl.len()) == 0)
    return plan.join(
        weeks.filter(fits), on="week", how="semi", nulls_equal=True,
        maintain_order="left",
    )  # fmt: skip


def _left_out(plan: pl.DataFrame, first: pl.DataFrame) -> str:
    """Say which jobs the workbook does not hold and where they are; else nothing."""
    if first.height == plan.height:
        return ""
    last = max(first["week"].drop_nulls().to_list(), default=None)
    upto = f" up to the week from {last.isoformat()}" if last else ""
    left = plan["week"].null_count() - first["week"].null_count()
    no_room = f", {left:,} of them without room," if left else ""
    return (
        f"This workbook holds the jobs{upto}: {first.height:,} of {plan.height:,}. "
        f"The other {plan.height - first.height:,}{no_room} are in work_plan.csv and "
        "work_plan.parquet beside it, with these."
    )
