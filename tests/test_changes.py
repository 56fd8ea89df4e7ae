"""What changed since the last run: told against the last run that was another one."""

from datetime import date

from tests.conftest import Compute, Table
from tests.fleets import Row, services

LOOSE: Row = {"date": "2020-02-01", "action": "retension", "reading_left": 80}
SET: Row = {
    "date": "2020-03-01",
    "odometer_mi": 11_000,
    "action": "retension",
    "reading_found": 80,
    "reading_left": 120,
}
OFF: Row = {"date": "2020-04-01", "odometer_mi": 12_000, "action": "remove"}


def changed(table: Table) -> list[tuple[str, str]]:
    rows = table("results.watchlist_changes").select("change", "because").rows()
    return [(change, because) for change, because in rows]


def compared_with(table: Table) -> str | None:
    facts = dict(table("results.run_info").iter_rows())
    day: str | None = facts["compared_with_as_of"]
    return day


def test_a_first_run_is_compared_with_nothing(compute: Compute):
    table = compute(services=services(LOOSE))

    assert table("results.watchlist").height == 1
    assert changed(table) == []
    assert table("marts.file_changes").is_empty()
    assert compared_with(table) is None


def test_a_belt_read_under_since_is_new_on_the_watchlist(compute: Compute):
    compute(services=services({}, LOOSE), as_of=date(2020, 1, 15))

    table = compute(services=services({}, LOOSE))

    assert changed(table) == [("new", "read_again")]
    assert compared_with(table) == "2020-01-15"
    assert table("marts.file_changes").is_empty()


def test_a_run_that_repeats_the_last_is_compared_with_the_one_before(compute: Compute):
    compute(services=services({}, LOOSE), as_of=date(2020, 1, 15))
    first = compute(services=services({}, LOOSE))("results.watchlist_changes")

    again = compute(services=services({}, LOOSE))

    assert again("results.watchlist_changes").equals(first)
    assert compared_with(again) == "2020-01-15"


def test_a_belt_set_again_leaves_the_watchlist(compute: Compute):
    compute(services=services(LOOSE))

    table = compute(services=services(LOOSE, SET))

    assert changed(table) == [("gone", "read_again")]
    files = table("marts.file_changes")
    assert files.select("file", "change").rows() == [("services.csv", "new")]


def test_a_belt_taken_off_leaves_the_watchlist(compute: Compute):
    compute(services=services(LOOSE))

    table = compute(services=services(LOOSE, OFF))

    assert changed(table) == [("gone", "belt_off")]


def test_a_belt_may_leave_the_watchlist_without_a_new_reading(compute: Compute):
    compute(services=services(LOOSE))

    table = compute(services=services(LOOSE), settings="[watchlist]\np_under = 1.0\n")

    assert changed(table) == [("gone", "same_readings")]
