"""One call at the bench, from the records to what to print."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fleetbelt.bench.as_json import as_json
from fleetbelt.bench.question import STATES, Answer, BeltState, Question
from fleetbelt.bench.records import Records, opened, read_records
from fleetbelt.bench.sheet import sheet_html, write_sheet
from fleetbelt.bench.week import Refusal, answers, planned
from fleetbelt.bench.words import answer_text, subject
from fleetbelt.contract import CONTRACT_VERSION
from fleetbelt.errors import InputError
from fleetbelt.intake import Say


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """What was asked for.

    Attributes
    ----------
    gauge_id : str or None
    vehicle_ids : tuple of str
    drive_id, span : str or None
        As of a `Question`.
    belt : {'new', 'used'} or None
        State of the belt; None: both, and readings are judged as of a used one.
    readings : tuple of float
        What the gauge showed on the one vehicle.
    week : date or None
        A day of the week whose planned jobs are asked for.
    """

    gauge_id: str | None
    vehicle_ids: tuple[str, ...] = ()
    drive_id: str | None = None
    span: str | None = None
    belt: BeltState | None = None
    readings: tuple[float, ...] = ()
    week: dt.date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """The answers to a call, as text and as JSON.

    Attributes
    ----------
    found : sequence of Answer or Refusal
    belt : {'new', 'used'} or None
    """

    found: Sequence[Answer | Refusal]
    belt: BeltState | None

    def as_text(self) -> str:
        """Return the answers for a terminal."""
        asked = (self.belt,) if self.belt else STATES
        rule = f"\n\n{'-' * 72}\n\n"
        return rule.join(
            _no_number_text(one)
            if isinstance(one, Refusal)
            else answer_text(one, asked)
            for one in self.found
        )

    def as_json(self) -> dict[str, Any]:
        """Return the contract's object; of several vehicles, a list of such objects."""
        objects = [
            _no_number(one)
            if isinstance(one, Refusal)
            else as_json(one, self.belt or "used")
            for one in self.found
        ]
        if len(objects) == 1:
            return objects[0]
        return {"contract_version": CONTRACT_VERSION, "answers": objects}


def answer(
    call: Call,
    *,
    database: Path | None,
    folder: Path | None,
    html: Path | None,
    say: Say,
) -> Reply:
    """Answer a call from a database or a data folder, and write the sheets asked for.

    Parameters
    ----------
    call : Call
        What was asked for.
    database, folder : Path or None
        Exactly one of them.
    html : Path or None
        Where to write the sheets.
    say : callable
        Takes words for people, one line at a time.

    Returns
    -------
    Reply
        One answer a vehicle; of several, some may have no number and say why.

    Raises
    ------
    InputError
        The call does not fit the records; no number can be given.
    PlaceError
        The database cannot be opened.
    """
    _check(call)
    with opened(database, folder, say) as connection:
        records = read_records(connection)
    found = answers(records, _questions(records, call))
    for one in found:
        if isinstance(one, Refusal):
            say(f"no number for {subject(one.subject)}: {one.error.what}")
    if html is not None:
        write_sheet(html, sheet_html(records, found))
    return Reply(found=found, belt=call.belt)


def _check(call: Call) -> None:
    named = [bool(call.vehicle_ids), bool(call.week), bool(call.drive_id)]
    if call.gauge_id is None:
        what, fix = "No gauge is named", "give the gauge in hand with --gauge ID."
    elif not any(named):
        what = "No vehicle, drive or week is named"
        fix = "give --vehicle ID, --drive ID or --week DATE."
    elif call.week and (call.vehicle_ids or call.drive_id):
        what = "A week names its own vehicles"
        fix = "give either --week, or --vehicle and --drive."
    elif call.readings and (call.week or len(call.vehicle_ids) > 1):
        what = "Readings belong to one belt"
        fix = "give --reading with one --vehicle or --drive."
    else:
        return
    raise InputError(what=f"{what}.", where="fleetbelt bench", fix=fix)


def _questions(records: Records, call: Call) -> list[Question]:
    gauge_id = call.gauge_id or ""
    if call.week is not None:
        return planned(records, call.week, gauge_id=gauge_id, span=call.span)
    return [
        Question(
            gauge_id=gauge_id,
            vehicle_id=vehicle_id,
            drive_id=call.drive_id,
            span=call.span,
            readings=call.readings,
        )
        for vehicle_id in dict.fromkeys(call.vehicle_ids) or (None,)
    ]


def _no_number_text(refusal: Refusal) -> str:
    return f"{subject(refusal.subject)}\nNO NUMBER: {refusal.error}"


def _no_number(refusal: Refusal) -> dict[str, Any]:
    error = refusal.error
    return {
        "contract_version": CONTRACT_VERSION,
        "vehicle_id": refusal.subject.vehicle.get("vehicle_id"),
        "drive_id": refusal.subject.drive_id,
        "gauge_id": refusal.gauge_id,
        "refused": {"what": error.what, "where": error.where, "fix": error.fix},
    }
