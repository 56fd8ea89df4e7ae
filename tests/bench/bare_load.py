"""The physical limit: every CSV of a folder read once, typed, into an engine's tables.

Run: python -m tests.bench.bare_load FOLDER DATABASE
"""

import sys
from pathlib import Path

import duckdb

from fleetbelt.contract import Table, input_table

_TYPES = {"text": "varchar", "date": "date", "integer": "bigint", "real": "double"}


def main(folder: Path, database: Path) -> None:
    """Load each file by the contract's types, without any check."""
    with duckdb.connect(str(database)) as connection:
        for path in sorted(folder.glob("*.csv")):
            table = input_table(path.stem.split("__")[0])
            connection.execute(
                f"create table {path.stem} as from read_csv('{path}', header = true, "
                f"columns = {{{_columns(path, table)}}}, auto_detect = false, "
                "delim = ',', quote = '\"', escape = '\"', nullstr = '')"
            )
        connection.execute("checkpoint")


def _columns(path: Path, table: Table) -> str:
    types = {column.name: _TYPES[column.type] for column in table.columns}
    with path.open(encoding="utf-8") as file:
        headings = file.readline().strip().split(",")
    return ", ".join(f"'{name}': '{types.get(name, 'double')}'" for name in headings)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
