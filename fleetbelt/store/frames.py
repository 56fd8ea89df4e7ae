"""Read tables as polars frames, write frames as tables, without pyarrow."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import duckdb
import polars as pl

from fleetbelt.contract import result_table

Read = Callable[[str], pl.DataFrame]
"""Returns a table, or a subquery in brackets, as a frame."""


class _ArrowView:
    """A frame seen only through Arrow's C stream, which DuckDB scans as it is."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame

    def __arrow_c_stream__(self, requested_schema: object = None) -> Any:  # noqa: ANN401
        return self._frame.__arrow_c_stream__(requested_schema)

    def let_go(self) -> None:
        """Give the frame's memory back, whoever still holds the view."""
        self._frame = pl.DataFrame()


@contextmanager
def seen_as(
    connection: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame
) -> Iterator[None]:
    """Let statements of the block read a frame by this name.

    The engine holds what it was given until its transaction ends; not the frame.
    """
    view = _ArrowView(frame)
    connection.register(name, view)
    try:
        yield
    finally:
        connection.unregister(name)
        view.let_go()


def read(connection: duckdb.DuckDBPyConnection, query: str) -> pl.DataFrame:
    """Return the rows of a query as a frame.

    On the connection itself: a cursor would not see an open transaction's tables.
    """
    return pl.DataFrame(connection.sql(query))


def write(
    connection: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame
) -> None:
    """Make a table ``schema.table`` anew from a frame; results in order of key."""
    schema, _, table = name.partition(".")
    order = ""
    if schema == "results":
        key = ", ".join(f'"{column}"' for column in result_table(table).key)
        order = f" order by {key}"
    connection.execute(f"create schema if not exists {schema}")
    with seen_as(connection, "frame_to_write", frame):
        connection.execute(
            f"create or replace table {name} as select * from frame_to_write{order}"
        )


def existing(
    connection: duckdb.DuckDBPyConnection, names: Iterable[str] | Mapping[str, str]
) -> dict[str, pl.DataFrame]:
    """Return those of the named tables and views that exist, as frames by name.

    A mapping says by which query each is read.
    """
    found = connection.sql(
        "select table_schema || '.' || table_name from information_schema.tables"
    )
    tables = {name for (name,) in found.fetchall()}
    queries = names if isinstance(names, Mapping) else {n: f"from {n}" for n in names}
    return {
        name: read(connection, query)
        for name, query in queries.items()
        if name in tables
    }
