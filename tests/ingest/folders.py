"""Small data folders as text, and what a database holds after taking them in."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb

from fleetbelt.contract import INPUTS
from fleetbelt.ingest import LoadReport, load
from fleetbelt.settings import load_settings
from fleetbelt.store.database import connect

Contents = dict[tuple[str, str], tuple[int, int]]
_TIMES = {
    ("raw", "files"): "loaded_at, loaded_on",
    ("results", "load_files"): "loaded_at",
}
_OF_THE_RUN = {("results", "run_info")}  # holds the time of the run

NOW = datetime(2026, 1, 1, 12, tzinfo=UTC)
LATER = NOW + timedelta(days=1)
HEADINGS = "service_id,date,vehicle_id,odometer_mi,action,shop,technician_id"
VEHICLES = (
    "vehicle_id,model,drive_id,depot\n"
    "V1,Corrie 3,D1,North yard\n"
    "V2,Corrie 3,D1,South yard\n"
    "V3,Corrie 5,D1,North yard\n"
)
DRIVES = "drive_id,ribs,alternator_pulley\nD1,6,solid\n"
SPECS = (
    "drive_id,belt_state,tension_min,tension_max,unit,source\n"
    "D1,new,170,180,lbf,handbook p. 41\n"
    "D1,used,95,135,lbf,handbook p. 41\n"
)
SERVICES = (
    f"{HEADINGS},reading_left,reading_unit,note\n"
    "S1,2021-01-05,V1,1000,install,North shop,T1,175.5,lbf,first belt\n"
    'S2,2021-02-05,V1,1800,recheck,North shop,T2,110,lbf,"fine, ""tight"" side"\n'
    "S3,2021-03-05,V2,52000,install,South shop,T1,,,\n"
)


def service(service_id: str = "S9", **cells: object) -> str:
    """Return one line of services under HEADINGS, a good one where not said."""
    row = {
        "date": "2021-06-01",
        "vehicle_id": "V3",
        "odometer_mi": 5000,
        "action": "inspect",
        "shop": "North shop",
        "technician_id": "T1",
    } | cells
    return ",".join([service_id, *map(str, row.values())]) + "\n"


def one(**cells: object) -> str:
    """A services file of one row, S1."""
    return f"{HEADINGS}\n{service('S1', **cells)}"


def folder(place: Path, **files: str | bytes) -> Path:
    """Write a data folder: the four required files, and others by table name.

    A name may end in a part of its own: ``services_b`` becomes ``services_b.csv``.
    """
    required = {
        "vehicles": VEHICLES,
        "drives": DRIVES,
        "specs": SPECS,
        "services": SERVICES,
    }
    return only(place, **required | files)


def only(place: Path, **files: str | bytes) -> Path:
    """Write a data folder of these files alone."""
    place.mkdir(exist_ok=True, parents=True)
    for name, content in files.items():
        data = content.encode() if isinstance(content, str) else content
        (place / f"{name}.csv").write_bytes(data)
    return place


def taken_in(
    connection: duckdb.DuckDBPyConnection, place: Path, **options: Any
) -> LoadReport:
    """Take a folder in as its own settings say."""
    return load(connection, place, load_settings(place), **{"now": NOW} | options)


def rows(connection: duckdb.DuckDBPyConnection, query: str) -> list[tuple[Any, ...]]:
    """Return what a query gives."""
    return connection.execute(query).fetchall()


def accepted(connection: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[Any, ...]]]:
    """Return the accepted rows of every table in an order of their own."""
    return {
        table.name: rows(
            connection,
            f"select * exclude (file_id, line) from typed.{table.name} order by all",
        )
        for table in INPUTS
    }


def refusals(connection: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    """Return table, line and reason of every refused row."""
    return rows(
        connection,
        "select table_name, line, reason from typed.refusals order by all",
    )


def with_settings(place: Path, text: str) -> Path:
    """Write the folder's settings file."""
    (place / "fleetbelt.toml").write_text(text, encoding="utf-8")
    return place


def contents(database: Path, *schemas: str) -> Contents:
    """Return rows and a sum over the rows' hashes of every table of the schemas."""
    with connect(database) as connection:
        tables = connection.execute(
            "select table_schema, table_name from information_schema.tables "
            "order by all"
        ).fetchall()
        found = {}
        for schema, table in tables:
            if schema in schemas and (schema, table) not in _OF_THE_RUN:
                times = _TIMES.get((schema, table))
                but = f"exclude ({times})" if times else ""
                found[schema, table] = connection.execute(
                    f"select count(*), coalesce(sum(hash(t)::hugeint), 0) "
                    f"from (select * {but} from {schema}.{table}) as t"
                ).fetchall()[0]
    return found
