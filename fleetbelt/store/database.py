"""Open the database file: one writer, one time zone, no way out to other files."""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

import duckdb

from fleetbelt.contract import CONTRACT_VERSION
from fleetbelt.errors import InputError, PlaceError
from fleetbelt.store.places import printable

MEMORY: Final = "60%"  # of the machine's
_ENGINES: Final = 0.5  # of it at most; the rest is for arrays, frames and pages
_MOST: Final = 2_000_000_000  # bytes; more only keeps what is not read again
_ROOMY: Final = 0.9  # of the most; the engine rounds what it was told
_AMOUNT: Final = re.compile(
    r"(?P<number>\d+(?:[.]\d+)?) ?(?P<unit>%|[KMGT]i?B)", re.IGNORECASE
)
_HOLDER: Final = re.compile(r"lock is held in (?P<program>.+?) \((?P<pid>PID \d+)\)")
_MAGIC_OFFSET, _MAGIC = 8, b"DUCK"
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
    "python_enable_replacements": False,
    "allocator_background_threads": True,  # gives back what it has freed
    "disabled_optimizers": "common_subplan",  # it put raw rows aside to read them twice
}


def _refuse_other_files(path: Path) -> None:
    """Refuse what is not a database: the engine would open some of it as views."""
    if path.is_dir():
        raise PlaceError(
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
def _private() -> Iterator[None]:
    """Keep every file made in this block to its owner: the side files too."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def _engines(memory: str) -> str:
    """Return the engine's share of what a run may use, as the engine reads it."""
    found = _AMOUNT.fullmatch(memory)
    if not found:
        raise InputError(
            what=f"'{memory}' is no amount of memory.",
            where="--memory",
            fix="write it as 800MB, 2GB or 60%.",
        )
    return f"{_ENGINES * float(found['number']):f}{found['unit']}"


def shut(connection: duckdb.DuckDBPyConnection, *writable: Path) -> None:
    """Keep the engine from all files but the database's own, until it is closed.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        From here on no query of it can read or write any other file, load an extension
        or undo this.
    *writable : Path
        Folders in which it may still write.
    """
    if writable:
        folders = ", ".join(_literal(str(folder.absolute())) for folder in writable)
        connection.execute(f"set allowed_directories = [{folders}]")
    connection.execute("set enable_external_access = false")
    connection.execute("set lock_configuration = true")


def _literal(text: str) -> str:
    quoted = text.replace("'", "''")
    return f"'{quoted}'"


@contextmanager
def connect(
    path: Path, *, read_only: bool = False, memory: str = MEMORY
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a database file, closing it at the end.

    A file that was made here and holds nothing when an error ends the block goes again.
    What is written meanwhile is readable by its owner only; see `whole_folder`.

    Parameters
    ----------
    path : Path
        The file; made, readable by its owner only, where it is missing.
    read_only : bool
        Open it without the right to write; no other file can be read either.
    memory : str
        What may be used of it, as 800MB or 60%; the engine gets its share.

    Yields
    ------
    duckdb.DuckDBPyConnection
        In UTC, with no extension loading.

    Raises
    ------
    InputError
        The file is no database, holds another version of the contract, or the memory
        is no amount of it.
    PlaceError
        The file is locked by another process, or cannot be opened or made.
    """
    engines = _engines(memory)
    is_new = not path.exists()
    with _private():
        connection = _opened(path, read_only=read_only)
        with _closed_at_the_end(connection, path, is_new=is_new):
            _set(connection, engines, is_shut=read_only)
            _check_contract(connection, path)
            yield connection


def _opened(path: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    try:
        _refuse_other_files(path)
        return duckdb.connect(str(path), read_only=read_only, config=_CONFIG)
    except (duckdb.IOException, OSError) as error:
        raise _not_opened(path, str(error)) from error


def _not_opened(path: Path, message: str) -> PlaceError:
    if holder := _HOLDER.search(message):
        return PlaceError(
            what=f"The database is in use by {holder['program']} ({holder['pid']}).",
            where=printable(str(path)),
            fix="close that program or wait for it, or name another file with --db.",
        )
    reason = message.partition("\n")[0].removeprefix("IO Error: ").rstrip(".")
    return PlaceError(
        what=f"The database cannot be opened: {reason}.",
        where=printable(str(path)),
        fix="make the folder, with the right to write in it, or name another file "
        "with --db.",
    )


@contextmanager
def _closed_at_the_end(
    connection: duckdb.DuckDBPyConnection, path: Path, *, is_new: bool
) -> Iterator[None]:
    is_left_empty = False
    try:
        yield
    except BaseException:
        with suppress(duckdb.Error):  # a database that broke is left to be looked at
            tables = connection.sql("from duckdb_tables()").fetchall()
            is_left_empty = is_new and not tables
        raise
    finally:
        connection.close()
        if is_left_empty:
            path.unlink()


def _set(connection: duckdb.DuckDBPyConnection, memory: str, *, is_shut: bool) -> None:
    query = "select current_setting('lock_configuration')"
    if connection.execute(query).fetchall() == [(True,)]:
        return  # another connection of this process to the same file has done it
    connection.execute("set global timezone = 'UTC'")
    connection.execute(f"set memory_limit = {_literal(memory)}")
    if memory_limit(connection) > _MOST:
        connection.execute(f"set memory_limit = '{_MOST}B'")
    if is_shut:
        shut(connection)


def memory_limit(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the bytes that the engine may use."""
    query = "select parse_formatted_bytes(current_setting('memory_limit'))"
    ((limit,),) = connection.execute(query).fetchall()
    return int(limit)


def is_roomy(connection: duckdb.DuckDBPyConnection) -> bool:
    """Tell whether the arrays of two large fits may stand in memory at once."""
    return memory_limit(connection) > _ROOMY * _MOST


@contextmanager
def in_any_order(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Let the engine put rows down in any order: parts of a file at once.

    Nothing may rest on the order in which a table stands that is made in the block.
    """
    connection.execute("set preserve_insertion_order = false")
    try:
        yield
    finally:
        connection.execute("set preserve_insertion_order = true")


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Run a block whole or not at all."""
    connection.execute("begin transaction")
    try:
        yield
    except BaseException:
        with suppress(duckdb.Error):  # the engine may have ended it by itself
            connection.execute("rollback")
        raise
    connection.execute("commit")
