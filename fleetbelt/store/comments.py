"""What the database says of itself: a comment on every table and column."""

from collections.abc import Mapping

import duckdb

from fleetbelt.contract import INPUTS, RESULTS


def say_what(
    connection: duckdb.DuckDBPyConnection,
    table: str,
    meaning: str,
    columns: Mapping[str, str],
    *,
    kind: str = "table",
) -> None:
    """Set the comments of one table (or view), ``schema.table``, and of its columns."""
    connection.execute(f"comment on {kind} {table} is {_literal(meaning)}")
    for name, text in columns.items():
        connection.execute(f'comment on column {table}."{name}" is {_literal(text)}')


def say_what_the_contract_says(connection: duckdb.DuckDBPyConnection) -> None:
    """Set the comments of every table of the contract that exists."""
    found = connection.sql(
        "select schema_name || '.' || table_name from duckdb_tables()"
    ).fetchall()
    names = {name for (name,) in found}
    tables = [("typed", table) for table in INPUTS]
    tables += [("results", table) for table in RESULTS]
    for schema, table in tables:
        name = f"{schema}.{table.name}"
        if name in names:
            meanings = {column.name: column.meaning for column in table.columns}
            say_what(connection, name, f"One row is {table.row}.", meanings)


def _literal(text: str) -> str:
    quoted = text.replace("'", "''")
    return f"'{quoted}'"
