"""The calendar of the plan, held to RFC 5545 line by line and by a parser."""

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from icalendar import Calendar

from fleetbelt.takeaway import write_work_plan
from tests.takeaway import plans

# RFC 5545, 3.1: name *(";" param) ":" value; a param's value may be quoted.
LINE = re.compile(
    r'(?P<name>[A-Za-z0-9-]+)(?P<params>(;[A-Za-z0-9-]+=("[^"]*"|[^",;:]*))*):(?P<value>.*)'
)
# RFC 5545, 3.3.11: in TEXT a backslash stands before \ ; , n and N only.
TEXT = re.compile(r"([^\\;,\x00-\x08\x0a-\x1f\x7f]|\\[\\;,nN])*")
TEXTS = {"SUMMARY", "DESCRIPTION", "LOCATION", "UID", "PRODID", "NAME", "X-WR-CALNAME"}


def _written(jobs: pl.DataFrame, folder: Path) -> bytes:
    write_work_plan(plans.results(jobs), folder)
    return (folder / "work_plan.ics").read_bytes()


def _content_lines(data: bytes) -> list[tuple[str, str, str]]:
    """Return name, parameters and value of each line, held to the standard."""
    assert data.endswith(b"\r\n")
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)", data)
    physical = data.removesuffix(b"\r\n").split(b"\r\n")
    assert all(0 < len(line) <= 75 for line in physical)
    assert all(part.decode("utf-8") for part in physical)  # no letter is cut in two
    found = []
    unfolded = data.decode("utf-8").replace("\r\n ", "")
    for line in unfolded.removesuffix("\r\n").split("\r\n"):
        match = LINE.fullmatch(line)
        assert match is not None, line
        found.append((match["name"], match["params"], match["value"]))
        if match["name"] in TEXTS:
            assert TEXT.fullmatch(match["value"]), line
    return found


def _events(data: bytes) -> list[dict[str, tuple[str, str]]]:
    """Return the properties of each event; each stands once and where it may."""
    lines = _content_lines(data)
    assert lines[0] == ("BEGIN", "", "VCALENDAR")
    assert lines[-1] == ("END", "", "VCALENDAR")
    events: list[dict[str, tuple[str, str]]] = []
    head: list[str] = []
    is_open = False
    for name, params, value in lines[1:-1]:
        if name in {"BEGIN", "END"}:
            assert value == "VEVENT"
            assert is_open == (name == "END")
            is_open = name == "BEGIN"
            events += [{}] if is_open else []
        elif is_open:
            assert name not in events[-1]
            events[-1][name] = (params, value)
        else:
            assert not events
            head.append(name)
    assert sorted(head) == ["NAME", "PRODID", "VERSION", "X-WR-CALNAME"]
    assert events
    for event in events:
        assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY"} <= set(event)
        assert re.fullmatch(r"\d{8}T\d{6}Z", event["DTSTAMP"][1])
        assert event["DTSTART"][0] == event["DTEND"][0] == ";VALUE=DATE"
        assert event["DTEND"][1] > event["DTSTART"][1]
    assert len({event["UID"] for event in events}) == len(events)
    return events


@pytest.mark.parametrize(
    "jobs", [plans.plan(), plans.hostile_plan(), plans.plan().clear()],
    ids=["plain", "hostile", "empty"],
)  # fmt: skip
def test_every_line_keeps_to_the_standard_and_a_parser_finds_no_error(
    jobs: pl.DataFrame, tmp_path: Path
):
    data = _written(jobs, tmp_path)

    events = _events(data)
    parsed = Calendar.from_ical(data)
    assert [c.errors for c in parsed.walk()] == [[]] * (len(events) + 1)


def test_one_all_day_event_stands_for_each_depot_and_week(tmp_path: Path):
    jobs = plans.plan()

    parsed = Calendar.from_ical(_written(jobs, tmp_path))

    found = {(str(e["location"]), e.start, e.end) for e in parsed.events}
    weeks = jobs.drop_nulls("week").select("depot", "week").unique()
    assert found == {
        (depot, week, week + timedelta(days=7)) for depot, week in weeks.iter_rows()
    }
    assert all(type(start) is date for _, start, _ in found)


def test_an_event_lists_its_vehicles_and_jobs_and_what_found_no_room(tmp_path: Path):
    parsed = Calendar.from_ical(_written(plans.plan(), tmp_path))

    event = next(e for e in parsed.events if e.start == plans.MONDAY)
    lines = str(event["description"]).split("\n")
    assert event["summary"] == "Belt work, Aldmoor: 4 jobs, 3.0 h"
    assert lines[0] == "4 jobs on 2 vehicles, 3.0 h."
    assert lines[1] == "V-000: retension, due 2026-06-30 at 61000 mi (belt V-000/D1/1)"
    assert lines[5].startswith("4 of this depot's jobs found no room")
    assert "not a repair instruction" in lines[-1]
    assert event["transp"] == "TRANSPARENT"


def test_hostile_text_comes_back_as_it_was_but_for_controls(tmp_path: Path):
    jobs = plans.hostile_plan()

    parsed = Calendar.from_ical(_written(jobs, tmp_path))

    control = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")
    expected = {control.sub(" ", depot) for depot in plans.HOSTILE}
    assert {str(event["location"]) for event in parsed.events} == expected


def test_identifiers_and_stamps_follow_from_depot_week_and_day_alone(tmp_path: Path):
    jobs = plans.plan()
    fewer = jobs.filter(pl.col("vehicle_id").str.ends_with("0"))

    first = Calendar.from_ical(_written(jobs, tmp_path)).events
    later = Calendar.from_ical(_written(fewer, tmp_path)).events

    uid = {(str(e["location"]), e.start): str(e["uid"]) for e in first}
    assert all(uid[str(e["location"]), e.start] == str(e["uid"]) for e in later)
    assert {e["dtstamp"].dt for e in first} == {datetime(2026, 6, 30, tzinfo=UTC)}


def test_a_long_week_says_how_many_jobs_it_leaves_out(tmp_path: Path):
    jobs = plans.plan(("Aldmoor",), n_vehicles=1)
    many = pl.concat([jobs] * 150)

    (event,) = Calendar.from_ical(_written(many, tmp_path)).events

    lines = str(event["description"]).split("\n")
    assert len(lines) == 1 + 200 + 1 + 1
    assert lines[201] == "… and 100 more: see work_plan.csv."


def test_a_plan_without_weeks_says_so_on_its_day(tmp_path: Path):
    jobs = plans.plan().with_columns(week=pl.lit(None, dtype=pl.Date))

    (event,) = Calendar.from_ical(_written(jobs, tmp_path)).events
    (none,) = Calendar.from_ical(_written(jobs.clear(), tmp_path)).events

    assert event["summary"] == "24 belt jobs are due and none found room"
    assert none["summary"] == "No belt work is due in the weeks planned"
    assert event.start == none.start == plans.AS_OF
