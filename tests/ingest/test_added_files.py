"""Files that come later are settled alone where that is right, and to the same end."""

import pytest

from tests.ingest.folders import HEADINGS, folder, only, rows, service, taken_in

SETTLED = ("refusals", "replaced", "duplicates", "misplaced", "erring", "accounts")
KINDS = {
    "only new rows": {"services_b": f"{HEADINGS}\n{service('S11')}"},
    "rows that err": {
        "services_b": f"{HEADINGS}\n{service('S11', odometer_mi=700)}"
        f"{service('S12', vehicle_id='V8')}{service('S13', action='x')}"
        f"{service('S14', date='2001-01-01')}"
    },
    "what shows an old row to err": {
        "odometers": "vehicle_id,date,odometer_mi\n"
        "V3,2021-02-01,2000\nV3,2021-07-01,2500\nV3,2021-08-01,2600\n"
    },
    "a changed row": {"services_b": f"{HEADINGS}\n{service('S5', odometer_mi=999)}"},
    "the same row": {"services_b": f"{HEADINGS}\n{service('S5', odometer_mi=9000)}"},
    "two rows of one key": {
        "services_b": f"{HEADINGS}\n{service('S11')}{service('S11', odometer_mi=1)}"
    },
    "a vehicle": {
        "vehicles_b": "vehicle_id,model,drive_id,depot,in_service_date\n"
        "V8,Corrie 3,D1,North yard,2021-06-02\n"
    },
}
FIRST = "".join(
    (
        service("S4", date="2021-05-01", odometer_mi=4000),
        service("S5", date="2021-06-01", odometer_mi=9000),
        service("S6", vehicle_id="V8"),
        service("S7", vehicle_id="V1", odometer_mi=400),
        service("S8", vehicle_id="V1", action="y"),
        service("S9", vehicle_id="V2"),
        service("S9", vehicle_id="V2", odometer_mi=52_000),
    )
)


def settled(database):
    """Return what became of all rows."""
    return {name: rows(database, f"from typed.{name} order by all") for name in SETTLED}


@pytest.mark.parametrize("later", KINDS.values(), ids=KINDS)
def test_what_is_added_ends_as_if_all_were_settled_anew(later, database, tmp_path):
    place = folder(tmp_path / "a", services_a=f"{HEADINGS}\n{FIRST}")
    taken_in(database, place, accept_refusals=True)
    before = settled(database)
    only(place, **later)
    taken_in(database, place, accept_refusals=True)
    added = settled(database)
    database.execute("delete from typed.judged; drop table typed.settled")

    taken_in(database, place, accept_refusals=True)

    assert added == settled(database)
    assert added["accounts"] != before["accounts"]
    assert all(before[name] for name in ("refusals", "misplaced", "erring"))


def test_of_files_that_only_add_nothing_else_is_looked_at(database, tmp_path):
    place = folder(tmp_path / "a", services_a=f"{HEADINGS}\n{FIRST}")
    taken_in(database, place, accept_refusals=True)
    made = "select table_oid from duckdb_tables() where table_name = 'erring'"
    before = rows(database, made)

    only(place, services_b=f"{HEADINGS}\n{service('S11', odometer_mi=700)}")
    taken_in(database, place, accept_refusals=True)
    added = rows(database, made)
    only(place, services_c=f"{HEADINGS}\n{service('S5', odometer_mi=700)}")
    taken_in(database, place, accept_refusals=True)

    assert added == before
    assert rows(database, made) != before
