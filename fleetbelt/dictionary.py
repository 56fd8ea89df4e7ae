"""The contract in words: what `fleetbelt dictionary` prints."""

from collections.abc import Iterator

from fleetbelt.contract import INPUTS, RESULTS, Column, Table
from fleetbelt.resources import bundled
from fleetbelt.store.checks import discover


def dictionary_text() -> str:
    """Return every table, column, unit and code word, and every rule, as text."""
    blocks = [
        "TAKEN IN: NAME.csv, NAME_*.csv, .csv.gz or .xlsx (* needed, ! never empty)",
        *map(_table_text, INPUTS),
        "GIVEN OUT: schema results of the database, also Parquet and CSV",
        *map(_table_text, RESULTS),
        "RULES: what is refused, and what is kept and noted",
        *_rules(),
    ]
    return "\n\n".join(blocks)


def _table_text(table: Table) -> str:
    head = f"{table.name}{' *' if table.is_required else ''}: one row is {table.row}"
    lines = [f"  key: {', '.join(table.key)}", *map(_column_text, table.columns)]
    return "\n".join([head, *lines])


def _column_text(column: Column) -> str:
    name = column.name + ("!" if column.is_required else "")
    words = f" ({', '.join(column.words)})" if column.words else ""
    return f"  {name:<22} {column.type:<9} {column.meaning}{words}"


def _rules() -> Iterator[str]:
    for check in discover(bundled("sql") / "checks"):
        yield (
            f"{check.code} ({check.severity}): {check.sentence}\n"
            f"  example: {check.example}"
        )
