"""The work plan as a calendar: one event for each depot and week, RFC 5545."""

from datetime import UTC, date, datetime, timedelta
from typing import Any, Final
from uuid import NAMESPACE_URL, uuid5

import polars as pl
from icalendar import Calendar, Event

_MAKER: Final = "-//fleetbelt//work plan//EN"
_NAME: Final = "Belt work plan"
_MOST_LINES: Final = 200  # of jobs in an event: calendars cut what is longer
_CONTROLS: Final = r"[\p{Cc}\u{2028}\u{2029}]+"  # TEXT may hold none of them


def calendar(plan: pl.DataFrame, *, as_of: date, caution: str) -> bytes:
    """Return the plan as an iCalendar file.

    Parameters
    ----------
    plan : polars.DataFrame
        ``results.work_plan``, in the order in which jobs are listed.
    as_of : datetime.date
        The day on which the plan was made: every event's time stamp.
    caution : str
        Said at the end of every event.

    Returns
    -------
    bytes
        One all-day event a depot and week, from its Monday to the next, that leaves
        the reader free. Its identifier is made from depot and Monday, so that a later
        plan's event takes the place of this one's. Jobs without a week are counted in
        every event of their depot. A plan without any event has one that says so, on
        the day of the plan: a calendar must hold something.

    References
    ----------
    .. [1] RFC 5545, *Internet Calendaring and Scheduling*: 3.1 (folding), 3.3.11
       (text), 3.6.1 (events), 3.8.4.7 (identifiers).
    .. [2] RFC 7986, section 5.1 (name of a calendar).
    """
    made = Calendar()
    made.add("prodid", _MAKER)
    made.add("version", "2.0")
    made.add("name", _NAME)
    made.add("x-wr-calname", _NAME)  # what most programs read instead
    weeks = _weeks(plan)
    for week in weeks.iter_rows(named=True):
        made.add_component(_work(week, as_of, caution))
    if weeks.is_empty():
        made.add_component(_nothing(plan.height, as_of, caution))
    return bytes(made.to_ical())


def _weeks(plan: pl.DataFrame) -> pl.DataFrame:
    """Return one row a depot and week, with its jobs in words."""
    depot = pl.col("depot").str.replace_all(_CONTROLS, " ").fill_null("no depot")
    placed = (
        plan.with_columns(depot)
        .with_columns(left=pl.col("week").is_null().sum().over("depot"))
        .filter(pl.col("week").is_not_null())
    )
    weeks = placed.group_by("depot", "week").agg(
        pl.len().alias("jobs"),
        pl.col("vehicle_id").n_unique().alias("vehicles"),
        pl.col("minutes").sum(),
        pl.col("left").first(),
    )
    return weeks.join(_lines(placed), on=["depot", "week"]).sort("week", "depot")


def _lines(placed: pl.DataFrame) -> pl.DataFrame:
    """Return the first jobs of each depot and week, in words."""
    first = (
        placed.group_by("depot", "week", maintain_order=True)
        .head(_MOST_LINES)
        .with_columns(pl.col("vehicle_id", "belt_id").str.replace_all(_CONTROLS, " "))
    )
    said = pl.format(
        "{}: {}, due {} at {} mi (belt {})",
        "vehicle_id",
        "job",
        "due_date",
        pl.col("due_odometer_mi").round().cast(pl.Int64),
        "belt_id",
    )
    line = pl.coalesce(said, pl.format("{}: {}", "vehicle_id", "job"))
    return first.group_by("depot", "week", maintain_order=True).agg(line=line)


def _work(week: dict[str, Any], as_of: date, caution: str) -> Event:
    """Return the event of a depot and week."""
    hours = f"{week['minutes'] / 60:.1f} h"
    jobs = f"{week['jobs']} {'job' if week['jobs'] == 1 else 'jobs'}"
    vehicles = (
        f"{week['vehicles']} {'vehicle' if week['vehicles'] == 1 else 'vehicles'}"
    )
    more = week["jobs"] - len(week["line"])
    lines = [f"{jobs} on {vehicles}, {hours}.", *week["line"]]
    if more:
        lines.append(f"… and {more} more: see work_plan.csv.")
    if week["left"]:
        lines.append(
            f"{week['left']} of this depot's jobs found no room in the weeks planned: "
            "see work_plan.csv."
        )
    event = _event(f"work {week['week']} {week['depot']}", week["week"], as_of, days=7)
    event.add("summary", f"Belt work, {week['depot']}: {jobs}, {hours}")
    event.add("location", week["depot"])
    event.add("description", "\n".join([*lines, caution]))
    return event


def _nothing(unplaced: int, as_of: date, caution: str) -> Event:
    """Return the event of a plan that has none."""
    event = _event("no work", as_of, as_of, days=1)
    if unplaced:
        said = f"{unplaced} belt jobs are due and none found room"
        event.add("summary", said)
        event.add("description", f"{said}: see work_plan.csv.\n{caution}")
    else:
        event.add("summary", "No belt work is due in the weeks planned")
    return event


def _event(what: str, first: date, as_of: date, *, days: int) -> Event:
    """Return an event with what every event must have."""
    event = Event()
    event.add("uid", f"{uuid5(NAMESPACE_URL, f'fleetbelt:{what}')}@fleetbelt")
    event.add("dtstamp", datetime(as_of.year, as_of.month, as_of.day, tzinfo=UTC))
    event.add("dtstart", first)
    event.add("dtend", first + timedelta(days=days))
    event.add("transp", "TRANSPARENT")
    return event
