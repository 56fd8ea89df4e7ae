"""Write every result table as Parquet and CSV."""

from pathlib import Path

import duckdb

from fleetbelt.contract import RESULTS
from fleetbelt.resources import bundled
from fleetbelt.store import sql_models

# A spreadsheet runs a text that starts so; a leading apostrophe keeps it text.
FORMULA = r"^[\s\x{A0}\x{200B}\x{FEFF}]*[=+\-@\t\r\n\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}]"


def write_tables(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Write the result tables that exist, sorted by key, as .parquet and .csv.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The database that holds schema ``results``.
    folder : Path
        Where to write; it exists.
    """
    found = connection.sql(
        "select table_name from duckdb_tables() where schema_name = 'results'"
    ).fetchall()
    names = {name for (name,) in found}
    in_order = {model.name for model in sql_models.discover(bundled("sql"))}
    for table in RESULTS:
        if table.name not in names:
            continue
        rows = f"from results.{table.name}"
        if f"results.{table.name}" not in in_order:
            rows += f" order by {', '.join(map(_quoted, table.key))}"
        _copy(connection, f"select * {rows}", folder / f"{table.name}.parquet")
        _copy(
            connection,
            f"select {_safe_columns(connection, table.name)} {rows}",
            folder / f"{table.name}.csv",
        )


def _quoted(name: str) -> str:
    return f'"{name}"'


def _safe_columns(connection: duckdb.DuckDBPyConnection, table: str) -> str:
    """Return the select list with text that looks like a formula made harmless."""
    columns = connection.execute(
        "select column_name, data_type from duckdb_columns() "
        "where schema_name = 'results' and table_name = ? order by column_index",
        [table],
    ).fetchall()
    return ", ".join(
        f"case when regexp_matches({_quoted(name)}, '{FORMULA}') "
        f"then '''' || {_quoted(name)} else {_quoted(name)} end as {_quoted(name)}"
        if kind == "VARCHAR"
        else _quoted(name)
        for name, kind in columns
    )


def _copy(connection: duckdb.DuckDBPyConnection, query: str, path: Path) -> None:
    target = str(path).replace("'", "''")
    options = "format parquet" if path.suffix == ".parquet" else "format csv, header"
    connection.execute(f"copy ({query}) to '{target}' ({options})")
