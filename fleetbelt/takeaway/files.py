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
_ORDER: Final = ("depot", "week", "vehicle_id", "belt_id", "job")


def write_work_plan(results: Mapping[str, pl.DataFrame], folder: Path) -> list[Path]:
    """Write ``work_plan.xlsx`` and ``work_plan.ics``; same plan, same bytes.

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
    plan = results["results.work_plan"].sort(*_ORDER, nulls_last=True)
    facts = dict(results["results.run_info"].select("key", "value").iter_rows())
    as_of = date.fromisoformat(facts["as_of"]) if facts.get("as_of") else None
    if as_of is None:  # without a record there is no 'now' to plan from
        return []
    book, diary = folder / "work_plan.xlsx", folder / "work_plan.ics"
    write_workbook(
        plan, book, as_of=as_of, currency=facts.get("currency") or "", caution=CAUTION
    )
    diary.write_bytes(calendar(plan, as_of=as_of, caution=CAUTION))
    return [book, diary]
