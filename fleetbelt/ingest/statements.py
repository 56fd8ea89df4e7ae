"""SQL put together from parts that cannot carry a cell, a heading or a file name.

Only what passed through here is `Sql`: names of the contract, quoted literals and
fixed text. Everything read from a file reaches the engine as a bound value.
"""

import re
from collections.abc import Iterable
from typing import Final, NewType

from fleetbelt.contract import Column, Table
from fleetbelt.contract.inputs import INPUTS

Sql = NewType("Sql", str)

_NAME: Final = re.compile(r"[a-z][a-z0-9_]*")


def name(identifier: str) -> Sql:
    """Return an identifier of ours, quoted; ValueError for any other text."""
    if not _NAME.fullmatch(identifier):
        message = f"not a name of the contract: {identifier!r}"
        raise ValueError(message)
    return Sql(f'"{identifier}"')


def literal(text: str) -> Sql:
    """Return a text of the settings or the contract as a SQL literal."""
    return Sql("'" + text.replace("\0", "").replace("'", "''") + "'")


def literals(texts: Iterable[str]) -> Sql:
    """Return texts as a comma-separated list of literals."""
    return joined(", ", (literal(text) for text in texts))


def number(value: float) -> Sql:
    """Return a number as a SQL literal of type double."""
    return Sql(f"{float(value)!r}::double")


def whole(values: Iterable[int]) -> Sql:
    """Return whole numbers as a comma-separated list."""
    return Sql(", ".join(str(int(value)) for value in values))


def joined(separator: str, parts: Iterable[Sql]) -> Sql:
    """Join parts with a fixed separator."""
    return Sql(separator.join(parts))


def compose(template: str, **parts: Sql) -> Sql:
    """Fill a fixed template with parts; doubled braces stand for braces."""
    return Sql(template.format_map(parts))


def column_names(columns: Iterable[Column]) -> Sql:
    """Return the columns' names as a comma-separated list."""
    return joined(", ", (name(column.name) for column in columns))


def qualified(schema: str, table: Table) -> Sql:
    """Return the table's name in a schema; only tables of the contract exist."""
    if table not in INPUTS:
        message = f"not a table taken in: {table.name!r}"
        raise ValueError(message)
    return Sql(f"{name(schema)}.{name(table.name)}")
