"""What a step returns: tables to write, by name, in the contract's columns."""

from collections.abc import Mapping

import polars as pl

from fleetbelt.contract import result_table

Tables = Mapping[str, pl.DataFrame]

_TYPES = {
    "text": pl.String(),
    "date": pl.Date(),
    "integer": pl.Int64(),
    "real": pl.Float64(),
    "boolean": pl.Boolean(),
}


def to_contract(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Take the contract's columns, in its order and types."""
    return frame.select(
        pl.col(column.name).cast(_TYPES[column.type])
        for column in result_table(table).columns
    )


def from_rows(table: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    """Make a table of the contract from rows of one group each."""
    schema = {c.name: _TYPES[c.type] for c in result_table(table).columns}
    return pl.DataFrame(rows, schema)
