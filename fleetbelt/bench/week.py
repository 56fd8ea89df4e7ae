"""Many questions at once: several vehicles, or the jobs planned for a week."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from fleetbelt.bench.gauging import NoNumberError
from fleetbelt.bench.question import Answer, Question, Subject, answer, find_subject
from fleetbelt.bench.records import Records
from fleetbelt.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A question that gets no number, and why.

    Attributes
    ----------
    subject : Subject
    gauge_id : str
    error : NoNumberError
    """

    subject: Subject
    gauge_id: str
    error: NoNumberError


def answers(records: Records, questions: Sequence[Question]) -> list[Answer | Refusal]:
    """Return an answer to each question; among several, some may get no number.

    Raises
    ------
    InputError
        A question names what the records do not know.
    NoNumberError
        No question gets a number: the error of the first.
    """
    found = [_answer(records, question) for question in questions]
    first = found[0]
    if isinstance(first, Refusal) and all(isinstance(one, Refusal) for one in found):
        raise first.error
    return found


def _answer(records: Records, question: Question) -> Answer | Refusal:
    try:
        return answer(records, question)
    except NoNumberError as error:
        return Refusal(
            subject=find_subject(records, question),
            gauge_id=question.gauge_id,
            error=error,
        )


def planned(
    records: Records, day: dt.date, *, gauge_id: str, span: str | None
) -> list[Question]:
    """Return a question for each job that the plan puts into the week of a day.

    Parameters
    ----------
    records : Records
        With the plan.
    day : date
        Any day of the week.
    gauge_id, span : str
        As of a `Question`, the same for all.

    Returns
    -------
    list of Question
        By depot and vehicle.

    Raises
    ------
    InputError
        There is no plan, or it has no job in that week.
    """
    if records.plan is None:
        raise InputError(
            what="There is no plan of work yet.",
            where="--week; the table results.work_plan",
            fix="make the plan first with `fleetbelt run`, or name vehicles with "
            "--vehicle.",
        )
    monday = day - dt.timedelta(days=day.weekday())
    jobs = records.plan.filter(pl.col("week") == pl.lit(monday, dtype=pl.Date))
    if jobs.is_empty():
        weeks = records.plan["week"].drop_nulls().sort().to_list()
        has = f"the plan has jobs from {weeks[0]} to {weeks[-1]}" if weeks else ""
        raise InputError(
            what=f"The plan has no job in the week of {monday}.",
            where=f"--week; {has or 'the plan has no job at all'}",
            fix="name a day of a week that has jobs.",
        )
    drives = records.belts.select("belt_id", "drive_id")
    return [
        Question(gauge_id=gauge_id, vehicle_id=vehicle_id, drive_id=drive_id, span=span)
        for vehicle_id, drive_id in jobs.join(drives, on="belt_id", how="left")
        .sort("depot", "vehicle_id", "belt_id")
        .select("vehicle_id", "drive_id")
        .unique(maintain_order=True)
        .iter_rows()
    ]
