"""Write every result table as Parquet and CSV."""

from pathlib import Path
from typing import Final

import duckdb
import polars as pl

from fleetbelt.contract import RESULTS

# A spreadsheet runs a text that starts so; a leading apostrophe keeps it text.
FORMULA = r"^[\s\x{A0}\x{200B}\x{FEFF}]*[=+\-@\t\r\n\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}]"

BLOCK: Final = 491_520  # rows in memory at a time: four groups of the engine's
DISTINCT: Final = 5_000  # values of a dictionary; more are written out one by one


def write_tables(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Write the result tables that exist, as they stand, as .parquet and .csv.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The database that holds schema ``results``.
    folder : Path
        Where to write; it exists. What stands there is not written again.
    """
    found = connection.sql(
        "select table_name from duckdb_tables() where schema_name = 'results'"
    ).fetchall()
    names = {name for (name,) in found}
    for table in RESULTS:
        if table.name in names and not (folder / f"{table.name}.csv").exists():
            write_csv(write_parquet(connection, table.name, folder))


def write_parquet(
    connection: duckdb.DuckDBPyConnection, table: str, folder: Path
) -> Path:
    """Write a result table as a Parquet file, and return where."""
    parquet = folder / f"{table}.parquet"
    target = str(parquet).replace("'", "''")
    connection.execute(
        f"copy results.{table} to '{target}' "
        f"(format parquet, dictionary_size_limit {DISTINCT})"
    )
    return parquet


def write_csv(parquet: Path) -> None:
    """Write it beside the Parquet file, from it, block by block."""
    table = pl.scan_parquet(parquet)
    n = table.select(pl.len()).collect().item()
    with parquet.with_suffix(".csv").open("wb") as file:
        for start in range(0, max(n, 1), BLOCK):
            _safe(table.slice(start, BLOCK).collect()).write_csv(
                file,
                include_header=start == 0,
                datetime_format="%Y-%m-%d %H:%M:%S%.f",
            )


def _safe(block: pl.DataFrame) -> pl.DataFrame:
    """Make text that looks like a formula harmless."""
    odd = [  # a text that begins by a letter looks like none
        text.name
        for text in block.select(pl.col(pl.String))
        if not text.is_between("A", "~").all()
    ]
    return block.with_columns(
        pl.when(pl.col(name).str.contains(FORMULA))
        .then(pl.lit("'") + pl.col(name))
        .otherwise(pl.col(name))
        .alias(name)
        for name in odd
    )
