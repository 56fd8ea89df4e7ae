"""What the results in a database rest on: the same state, the same results."""

import hashlib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

import duckdb

from fleetbelt.resources import bundled

_MAKERS: Final = ("duckdb", "polars", "numpy", "scipy", "plotly", "xlsxwriter")
_SOURCES: Final = {".py", ".sql", ".j2", ".css", ".js"}


def state(connection: duckdb.DuckDBPyConnection, *chosen: object) -> str:
    """Return a fingerprint of all that decides what a run gives out.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The database, once the files are in.
    *chosen : object
        Settings and options of the call that change a result, told by their text.

    Returns
    -------
    str
        SHA-256 over the files taken in, what was chosen, this program and the
        libraries that make the results.
    """
    files = connection.sql("from raw.files order by all").fetchall()
    versions = [version(name) for name in _MAKERS]
    parts = [*map(str, files), *map(str, chosen), *versions, _program()]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


@cache
def _program() -> str:
    """Return the fingerprint of the program itself: whoever edits it runs it anew."""
    digest = hashlib.sha256()
    for path in _sources():
        digest.update(f"{path.name}\n".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _sources() -> Iterator[Path]:
    package = Path(__file__).resolve().parents[1]
    for folder in (package, bundled("sql"), bundled("reports")):
        for path in sorted(folder.rglob("*")):
            if path.suffix in _SOURCES:
                yield path


def holds(connection: duckdb.DuckDBPyConnection, state: str) -> bool:
    """Say whether the results in a database are those of a state."""
    found = connection.sql(
        "select 1 from duckdb_tables() "
        "where schema_name = 'typed' and table_name = 'run_state'"
    ).fetchall()
    if not found:
        return False
    return connection.sql("from typed.run_state").fetchall() == [(state,)]


def keep(connection: duckdb.DuckDBPyConnection, state: str) -> None:
    """Write down which state the results are of; in their transaction."""
    connection.execute("create or replace table typed.run_state (state varchar)")
    connection.execute("insert into typed.run_state values (?)", [state])
