"""The result tables of a database as polars frames, by name."""

from collections.abc import Iterator, Mapping
from pathlib import Path

import polars as pl

from fleetbelt.contract import RESULTS
from fleetbelt.errors import InputError
from fleetbelt.store import frames
from fleetbelt.store.database import connect


class Results(Mapping[str, pl.DataFrame]):
    """The result tables of one database; each is read when it is asked for.

    Parameters
    ----------
    database : Path
        A DuckDB file that `run` has written.
    """

    def __init__(self, database: Path) -> None:
        self._database = database
        with connect(database, read_only=True) as connection:
            found = connection.sql(
                "select table_name from duckdb_tables() where schema_name = 'results'"
            ).fetchall()
        present = {name for (name,) in found}
        self._keys = {
            table.name: table.key for table in RESULTS if table.name in present
        }

    def __getitem__(self, name: str) -> pl.DataFrame:
        key = ", ".join(f'"{column}"' for column in self._keys[name])
        with connect(self._database, read_only=True) as connection:
            return frames.read(connection, f"from results.{name} order by {key}")

    def __iter__(self) -> Iterator[str]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)


def open_results(database: Path | str) -> Results:
    """Open a database for reading its result tables.

    Parameters
    ----------
    database : Path or str
        A DuckDB file that `run` has written.

    Returns
    -------
    Results
        A mapping of table name to polars frame, rows sorted by the table's key.

    Raises
    ------
    InputError
        There is no such file, or it is no fleetbelt database.
    PlaceError
        Another process holds it.
    """
    path = Path(database)
    if not path.exists():
        raise InputError(
            what="There is no such database.",
            where=str(path),
            fix="make one with `fleetbelt run DATA_DIR --out DIR`.",
        )
    return Results(path)
