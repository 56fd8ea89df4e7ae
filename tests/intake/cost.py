"""What a load costs beside a bare typed load of the same file by the engine.

Run: python -m tests.intake.cost [rows] [memory limit of the load, such as 512MB]
"""

import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from fleetbelt.contract import input_table
from fleetbelt.ingest import load
from fleetbelt.settings import Settings
from fleetbelt.store.database import connect

_TYPES = {"text": "varchar", "date": "date", "integer": "bigint", "real": "double"}
_SERVICES = """
copy (
    select
        'S' || lpad(n::varchar, 8, '0') as service_id,
        (date '2019-01-01' + (n * 7919 % 2000)::int)::varchar as date,
        'V' || lpad((n * 31 % greatest($rows // 30, 1))::varchar, 6, '0')
            as vehicle_id,
        10 + n * 7919 % 2000 * 40 + n % 7 as odometer_mi,
        ['install', 'recheck', 'inspect', 'retension'][1 + n % 4] as action,
        'W' || n % 12 as shop,
        'T' || n % 60 as technician_id,
        null as drive_id,
        'G' || n % 40 as gauge_id,
        ['7', '10', '12'][1 + n % 3] as span_in,
        printf('%.1f', 80 + n % 700 / 10.0) as reading_found,
        printf('%.1f', 100 + n % 300 / 10.0) as reading_left,
        'lbf' as reading_unit,
        2 as readings_averaged,
        case when n % 4 = 1 then 5 + n % 20 end as run_minutes,
        case when n % 4 = 0 then 'new' else 'used' end as spec_applied,
        case when n % 4 = 0 then 'worn' end as removal_reason,
        ['cold', 'hot'][1 + n % 2] as belt_temperature,
        10 + n % 50 as labour_minutes,
        case when n % 10 = 0 then 'belt seen, glazed a little' end as note
    from range($rows) as rows (n)
) to '{path}' (header, delimiter ',')
"""
_OTHERS = {
    "drives": "drive_id,ribs,alternator_pulley\nD1,6,solid\n",
    "specs": "drive_id,belt_state,tension_min,tension_max,unit\nD1,new,9,10,lbf\n",
}


def main(n_rows: int = 5_000_000, memory_limit: str = "") -> int:
    """Write, load both ways twice, print the lesser CPU seconds; 1 if over 2.2."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "records"
        folder.mkdir()
        _write(folder, n_rows)
        bare = min(_bare(folder, Path(place) / f"bare{n}") for n in (1, 2))
        whole = min(
            _whole(folder, Path(place) / f"whole{n}", memory_limit) for n in (1, 2)
        )
    ratio = whole / bare
    sys.stdout.write(
        f"{n_rows:,} rows: bare typed load {bare:.1f} s of CPU, "
        f"whole intake {whole:.1f} s, ratio {ratio:.2f}\n"
    )
    return int(ratio > 2.2)


def _write(folder: Path, n_rows: int) -> None:
    with duckdb.connect() as connection:
        statement = _SERVICES.format(path=folder / "services.csv")
        connection.execute(statement, {"rows": n_rows})
    vehicles = (f"V{n:06d},M1,D1,North\n" for n in range(max(n_rows // 30, 1)))
    text = "vehicle_id,model,drive_id,depot\n" + "".join(vehicles)
    (folder / "vehicles.csv").write_text(text)
    for name, content in _OTHERS.items():
        (folder / f"{name}.csv").write_text(content)


def _bare(folder: Path, database: Path) -> float:
    """Load the services alone, typed and otherwise unchecked; return CPU seconds."""
    path = folder / "services.csv"
    with path.open() as file:
        headings = file.readline().strip().split(",")
    types = {c.name: _TYPES[c.type] for c in input_table("services").columns}
    columns = ", ".join(f"'{name}': '{types[name]}'" for name in headings)
    with duckdb.connect(str(database)) as connection:
        begun = time.process_time()
        connection.execute(
            f"create table services as from read_csv('{path}', header = true, "
            f"columns = {{{columns}}}, auto_detect = false, delim = ',', "
            "quote = '\"', escape = '\"', nullstr = '')"
        )
        connection.execute("checkpoint")
        return time.process_time() - begun


def _whole(folder: Path, database: Path, memory_limit: str) -> float:
    """Take the folder in; return CPU seconds."""
    with connect(database) as connection:
        if memory_limit:
            connection.execute(f"set memory_limit = '{memory_limit}'")
        begun = time.process_time()
        report = load(connection, folder, Settings(), now=datetime.now(UTC))
        seconds = time.process_time() - begun
    if any(file.rows_loaded != file.rows_read for file in report.files):
        raise AssertionError(report.sentence())
    return seconds


if __name__ == "__main__":
    given = sys.argv[1:]
    raise SystemExit(main(int(given[0]) if given else 5_000_000, *given[1:]))
