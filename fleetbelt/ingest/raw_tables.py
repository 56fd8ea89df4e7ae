"""Schema `raw`: every record of every file as text, and the ledger of the files."""

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final

import duckdb
import polars as pl

from fleetbelt.contract import INPUTS, Table
from fleetbelt.ingest.casts import Form
from fleetbelt.ingest.headings import Layout
from fleetbelt.ingest.records import Malformed, Record
from fleetbelt.ingest.snapshot import Snapshot
from fleetbelt.ingest.statements import (
    Sql,
    column_names,
    compose,
    joined,
    literal,
    name,
    qualified,
    whole,
)

BLANKS: Final = " \t\n\v\f\u00a0\u2007\u202f\u200b\u2060\ufeff"
_BATCH_ROWS, _BATCH_CHARS = 50_000, 2**24


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """How a file was read; kept in the ledger as JSON.

    Attributes
    ----------
    encoding, separator, sheet : str
        How its bytes became cells.
    heading_line : int
        Physical line of the headings.
    titles : tuple of str
        Lines above it.
    columns : tuple of str
        Its columns in order, by the contract's names where they have one.
    headings : dict
        Its own heading of each column that has another name in the contract.
    constants : dict
        Columns filled by the settings.
    form : Form
        How its values are written.
    date_form_from : str
        Why the date form is that one: settings, the file's dates, or the default.
    """

    encoding: str
    separator: str = ""
    sheet: str = ""
    heading_line: int = 1
    titles: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    headings: dict[str, str] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    form: Form = field(default_factory=Form)
    date_form_from: str = "default"

    def as_json(self) -> str:
        """Return it as one line of JSON."""
        return json.dumps(asdict(self), ensure_ascii=False)


def form_of(understood: str) -> Form:
    """Return the form of values a ledger entry names."""
    form = json.loads(understood)["form"]
    return Form(**form | {"empty_words": tuple(form["empty_words"])})


class _ArrowView:
    """A frame as the engine takes it without pyarrow."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        return self._frame.__arrow_c_stream__(requested_schema)


def create_raw(connection: duckdb.DuckDBPyConnection) -> None:
    """Make schema raw with its tables where they are missing."""
    connection.execute("create schema if not exists raw")
    connection.execute(
        "create table if not exists raw.files (file_id integer not null, "
        "load_id integer not null, file varchar not null, sha256 varchar not null, "
        "table_name varchar not null, rows_read bigint not null, "
        "loaded_at timestamp not null, loaded_on date not null, "
        "understood varchar not null, unknown_columns varchar)"
    )
    connection.execute(
        "create table if not exists raw.malformed (file_id integer not null, "
        "line bigint not null, reason varchar not null, raw varchar)"
    )
    for table in INPUTS:
        cells = (compose("{c} varchar", c=name(c.name)) for c in table.columns)
        connection.execute(
            compose(
                "create table if not exists {table} (file_id integer not null, "
                "line bigint not null, {cells}, extra varchar)",
                table=qualified("raw", table),
                cells=joined(", ", cells),
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where a file's rows go."""

    connection: duckdb.DuckDBPyConnection
    table: Table
    file_id: int
    layout: Layout
    constants: dict[str, str]

    def _insert(self, source: Sql) -> tuple[Sql, dict[str, Any]]:
        """Return the insertion of rows with cells c0, c1, … and their line."""
        cells = [self._cell(column.name) for column in self.table.columns]
        extra, values = self._extra()
        statement = compose(
            "insert into {table} select $file_id, line, {cells}, {extra} from {source}",
            table=qualified("raw", self.table),
            cells=joined(", ", cells),
            extra=extra,
            source=source,
        )
        return statement, {"file_id": self.file_id, **values}

    def _cell(self, column: str) -> Sql:
        if column in self.constants:
            return literal(self.constants[column])
        at = self.layout.positions.get(column)
        return Sql("null") if at is None else _trimmed(at)

    def _extra(self) -> tuple[Sql, dict[str, str]]:
        """Return the unknown columns as one JSON cell; null where all are empty."""
        if not self.layout.extras:
            return Sql("null"), {}
        cells = [_trimmed(at) for at in self.layout.extras.values()]
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
        self._register("careful_rows", frame)
        self.connection.execute(*self._insert(Sql("careful_rows")))
        self.connection.unregister("careful_rows")

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
        self._register("malformed_rows", frame)
        self.connection.execute(
            "insert into raw.malformed select $file_id, line, reason, raw "
            "from malformed_rows",
            {"file_id": self.file_id},
        )
        self.connection.unregister("malformed_rows")

    def _register(self, view: str, frame: pl.DataFrame) -> None:
        self.connection.register(view, _ArrowView(frame))

    def add_by_engine(self, snapshot: Snapshot, separator: str) -> int | None:
        """Add a large plain file by the engine's reader; None where in doubt.

        It is in doubt unless every line after the headings is one record.
        """
        return None


def _trimmed(at: int) -> Sql:
    return compose(
        "nullif(trim({cell}, {blanks}), '')",
        cell=name(f"c{at}"),
        blanks=literal(BLANKS),
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


def forget(connection: duckdb.DuckDBPyConnection, file_ids: Sequence[int]) -> None:
    """Delete files with all their rows."""
    tables = [qualified("raw", table) for table in INPUTS]
    for table in (Sql("raw.files"), Sql("raw.malformed"), *tables):
        connection.execute(
            compose(
                "delete from {table} where file_id in ({ids})",
                table=table,
                ids=whole(file_ids),
            )
        )


__all__ = [
    "Target",
    "Understood",
    "column_names",
    "create_raw",
    "forget",
    "form_of",
]
