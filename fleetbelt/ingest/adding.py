"""Rows into schema `raw`: by the careful reader, or by the engine's where that is safe.

The engine's reader is fast and not to be trusted with a bad file: it loses rows without
a word. So it gets only large files of plain UTF-8, and every line under the headings
must have become one row; any other file is read carefully, in Python.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import duckdb
import polars as pl

from fleetbelt.contract import Table
from fleetbelt.ingest.headings import Layout
from fleetbelt.ingest.opening import Opened
from fleetbelt.ingest.records import BLANKS, Malformed, Record
from fleetbelt.ingest.statements import Sql, compose, joined, literal, name, qualified
from fleetbelt.store.frames import seen_as

ENGINE_FROM_BYTES: Final = 2**17  # smaller files are read carefully at once
Result = TypeVar("Result")
_BATCH_ROWS, _BATCH_CHARS = 50_000, 2**24


class EngineDoubt(Exception):  # noqa: N818 (no error: a turn to the careful reader)
    """The engine's reader did not prove to have read a file whole."""


def until_sure(take_in: Callable[[], Result], careful: set[str]) -> Result:
    """Begin again for every file the engine's reader is not proven to have read."""
    while True:
        try:
            return take_in()
        except EngineDoubt as doubt:
            careful.add(str(doubt))


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where a file's rows go.

    Attributes
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction.
    table, file_id, layout, constants : Table, int, Layout, dict
        Which rows these are, and how their cells lie.
    has_odd_blanks : bool
        Cells may have other blanks about them than spaces.
    """

    connection: duckdb.DuckDBPyConnection
    table: Table
    file_id: int
    layout: Layout
    constants: dict[str, str]
    has_odd_blanks: bool = True

    def insertion(self, source: Sql) -> tuple[Sql, dict[str, Any]]:
        """Return the insertion of rows with cells c0, c1, … and their line."""
        cells = [self._cell(column.name) for column in self.table.columns]
        extra, values = self._extra()
        statement = compose(
            "insert into {table} select $file_id, line, {cells}, {extra} "
            "from {source} where coalesce({filled}) is not null",
            table=qualified("raw", self.table),
            cells=joined(", ", cells),
            extra=extra,
            source=source,
            filled=joined(", ", (self._trimmed(at) for at in range(self.layout.width))),
        )
        return statement, {"file_id": self.file_id, **values}

    def _cell(self, column: str) -> Sql:
        if column in self.constants:
            return literal(self.constants[column])
        at = self.layout.positions.get(column)
        return Sql("null") if at is None else self._trimmed(at)

    def _trimmed(self, at: int) -> Sql:
        """Return a cell without blanks about it; null where nothing is left."""
        cell = name(f"c{at}")
        if self.has_odd_blanks:  # the engine is ten times slower at these
            blanks = literal(BLANKS)
            return compose("nullif(trim({c}, {b}), '')", c=cell, b=blanks)
        return compose(
            "case when {c} like ' %' or {c} like '% ' then nullif(trim({c}), '') "
            "else {c} end",
            c=cell,
        )

    def _extra(self) -> tuple[Sql, dict[str, str]]:
        """Return the unknown columns as one JSON cell; null where all are empty."""
        if not self.layout.extras:
            return Sql("null"), {}
        cells = [self._trimmed(at) for at in self.layout.extras.values()]
        keys = {f"heading_{n}": key for n, key in enumerate(self.layout.extras)}
        pairs = [
            compose("{key}, {cell}", key=Sql(f"${key}"), cell=cell)
            for key, cell in zip(keys, cells, strict=True)
        ]
        statement = compose(
            "case when coalesce({cells}) is not null then json_object({pairs}) end",
            cells=joined(", ", cells),
            pairs=joined(", ", pairs),
        )
        return statement, keys

    def add(self, rows: Iterable[Record | Malformed]) -> int:
        """Add rows read carefully, batch by batch; return how many there were."""
        n_rows = 0
        for records, malformed in _batches(rows):
            self._add_records(records)
            self._add_malformed(malformed)
            n_rows += len(records) + len(malformed)
        return n_rows

    def _add_records(self, records: Sequence[Record]) -> None:
        if not records:
            return
        columns = zip(*(record.cells for record in records), strict=True)
        frame = pl.DataFrame(
            {
                "line": pl.Series([r.line for r in records], dtype=pl.Int64),
                **{
                    f"c{at}": pl.Series(cells, dtype=pl.String)
                    for at, cells in enumerate(columns)
                },
            }
        )
        with seen_as(self.connection, "careful_rows", frame):
            self.connection.execute(*self.insertion(Sql("careful_rows")))

    def _add_malformed(self, malformed: Sequence[Malformed]) -> None:
        if not malformed:
            return
        frame = pl.DataFrame(
            {
                "line": pl.Series([row.line for row in malformed], dtype=pl.Int64),
                "reason": [row.reason for row in malformed],
                "raw": [row.raw for row in malformed],
            }
        )
        with seen_as(self.connection, "malformed_rows", frame):
            self.connection.execute(
                "insert into raw.malformed select $file_id, line, reason, raw "
                "from malformed_rows",
                {"file_id": self.file_id},
            )


def _batches(
    rows: Iterable[Record | Malformed],
) -> Iterator[tuple[list[Record], list[Malformed]]]:
    records: list[Record] = []
    malformed: list[Malformed] = []
    n_chars = 0
    for row in rows:
        if isinstance(row, Record):
            records.append(row)
            n_chars += sum(map(len, row.cells))
        else:
            malformed.append(row)
            n_chars += len(row.raw)
        if len(records) + len(malformed) >= _BATCH_ROWS or n_chars >= _BATCH_CHARS:
            yield records, malformed
            records, malformed, n_chars = [], [], 0
    yield records, malformed


def is_for_engine(opened: Opened) -> bool:
    """Tell whether the engine's reader takes a file as the careful one does.

    It lets a second quoted text follow the first one after a blank, and takes marks
    beside a tab as text.
    """
    snapshot = opened.snapshot
    has_odd_tabs = snapshot.has_quotes_by_tabs and opened.separator != "\t"
    return snapshot.is_plain and not has_odd_tabs


def add_by_engine(target: Target, opened: Opened, max_line_bytes: int) -> int:
    """Add a large plain file by the engine's reader; return its rows.

    Raises
    ------
    EngineDoubt
        Not every line under the headings became a row: the transaction must be
        rolled back and the file read carefully.
    """
    snapshot, layout = opened.snapshot, opened.layout
    has_tabs = snapshot.has_tabs and (opened.separator != "\t" or snapshot.has_quotes)
    has_odd_blanks = snapshot.has_odd_blanks or has_tabs
    source, values = _reading(opened, max_line_bytes)
    statement, more = replace(target, has_odd_blanks=has_odd_blanks).insertion(source)
    values |= more
    try:
        ((n_rows,),) = target.connection.execute(statement, values).fetchall()
    except (duckdb.ProgrammingError, duckdb.DataError) as error:
        raise EngineDoubt(opened.source.file) from error
    if n_rows != snapshot.n_lines - layout.next_line + 1:
        raise EngineDoubt(opened.source.file)
    return int(n_rows)


def _reading(opened: Opened, max_line_bytes: int) -> tuple[Sql, dict[str, Any]]:
    """Return the reading of a copy, with lines: one thread each part, in their order.

    Counting the rows of one reading would leave it but one thread.
    """
    layout = opened.layout
    columns = (
        compose("{c}: 'varchar'", c=name(f"c{at}")) for at in range(layout.width)
    )
    options = compose(
        "columns = {{{columns}}}, auto_detect = false, header = false, "
        "delim = {separator}, quote = '\"', escape = '\"', nullstr = '', "
        "compression = 'none', max_line_size = $longest",
        columns=joined(", ", columns),
        separator=literal(opened.separator),
    )
    readings: list[Sql] = []
    values: dict[str, Any] = {"longest": max_line_bytes}
    for n, part in enumerate(opened.snapshot.parts):
        skipped = max(layout.next_line - part.first_line, 0)
        values |= {
            f"path_{n}": str(part.path),
            f"skip_{n}": skipped,
            f"before_{n}": part.first_line + skipped - 1,
        }
        readings.append(
            compose(
                "select row_number() over () + $before_{n} as line, * "
                "from read_csv($path_{n}, skip = $skip_{n}, {options})",
                n=Sql(str(n)),
                options=options,
            )
        )
    return compose("({all})", all=joined(" union all ", readings)), values
