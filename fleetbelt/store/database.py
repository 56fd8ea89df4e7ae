"""Open the database file: one writer, one time zone, no way out to other files."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb

from fleetbelt.contract import CONTRACT_VERSION
from fleetbelt.errors import InputError, PlaceError

_MAGIC_OFFSET, _MAGIC = 8, b"DUCK"
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
    "python_enable_replacements": False,
}


def _refuse_other_files(path: Path) -> None:
    """Refuse what is not a database: the engine would open some of it as views."""
    if path.is_dir():
        raise InputError(
            what="The database is a folder.",
            where=str(path),
            fix="name a file, for example fleet.duckdb.",
        )
    if path.exists() and path.stat().st_size:
        with path.open("rb") as file:
            head = file.read(_MAGIC_OFFSET + len(_MAGIC))
        if head[_MAGIC_OFFSET:] != _MAGIC:
            raise InputError(
                what="This file is no fleetbelt database.",
                where=str(path),
                fix="name another file with --db; nothing was changed.",
            )


def _check_contract(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Refuse a database written under another version of the contract."""
    found = connection.sql(
        "select 1 from duckdb_tables() "
        "where schema_name = 'results' and table_name = 'run_info'"
    ).fetchall()
    if not found:
        return
    rows = connection.sql(
        "select value from results.run_info where key = 'contract_version'"
    ).fetchall()
    version = rows[0][0] if rows else "none"
    if version != CONTRACT_VERSION:
        raise InputError(
            what=f"The database holds contract version {version}, "
            f"this fleetbelt writes {CONTRACT_VERSION}.",
            where=str(path),
            fix="load the CSV files into a new database with --db.",
        )


@contextmanager
def connect(
    path: Path, *, read_only: bool = False
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a database file, closing it at the end.

    A file that was made here and holds nothing when an error ends the block goes again.

    Parameters
    ----------
    path : Path
        The file; made, readable by its owner only, where it is missing.
    read_only : bool
        Open it without the right to write.

    Yields
    ------
    duckdb.DuckDBPyConnection
        In UTC, with no extension loading.

    Raises
    ------
    InputError
        The file is no database, or holds another version of the contract.
    PlaceError
        The file is locked by another process, or cannot be opened or made.
    """
    is_new = not path.exists()
    try:
        _refuse_other_files(path)
        connection = duckdb.connect(str(path), read_only=read_only, config=_CONFIG)
        if is_new:
            path.chmod(0o600)
    except (duckdb.IOException, OSError) as error:
        raise PlaceError(
            what=f"The database cannot be opened: {_first_line(error)}",
            where=str(path),
            fix="close the program that holds it, or name another place with --db.",
        ) from error
    is_left_empty = False
    try:
        connection.execute("set timezone = 'UTC'")
        _check_contract(connection, path)
        yield connection
    except BaseException:
        with suppress(duckdb.Error):  # a database that broke is left to be looked at
            tables = connection.sql("from duckdb_tables()").fetchall()
            is_left_empty = is_new and not tables
        raise
    finally:
        connection.close()
        if is_left_empty:
            path.unlink()


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0]


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Run a block whole or not at all."""
    connection.execute("begin transaction")
    try:
        yield
    except BaseException:
        connection.execute("rollback")
        raise
    connection.execute("commit")
