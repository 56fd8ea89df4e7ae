"""Schema `raw`: every record of every file as text, and the ledger of the files."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from typing import Final

import duckdb

from fleetbelt.contract import INPUTS, Column, Table
from fleetbelt.ingest.casts import Form
from fleetbelt.ingest.folder import Source
from fleetbelt.ingest.statements import (
    Sql,
    compose,
    joined,
    name,
    qualified,
    whole,
)
from fleetbelt.settings import Intake

_MARKS: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_ORDERS: Final = {
    "ISO": "dates year first",
    "DMY": "dates day first",
    "MDY": "dates month first",
}
_WHY: Final = {
    "settings": "as the settings say",
    "dates": "its own dates prove it",
    "default": "as the contract says",
}


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
    read_by : str
        Fingerprint of what the settings said of reading it, see `reading`.
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
    read_by: str = ""

    def as_json(self) -> str:
        """Return it as one line of JSON."""
        return json.dumps(asdict(self), ensure_ascii=False)

    def sentence(self) -> str:
        """Return it in words."""
        form = self.form
        words = [self.encoding]
        if self.separator:
            words.append(f"cells separated by {_MARKS[self.separator]}")
        if self.sheet:
            words.append(f"sheet '{self.sheet}'")
        words.append(f"headings in line {self.heading_line}")
        words.append(f"{_ORDERS[form.date_form]} ({_WHY[self.date_form_from]})")
        words.append(f"decimal {'comma' if form.decimal_comma else 'point'}")
        words += [f"'{theirs}' is {ours}" for ours, theirs in self.headings.items()]
        words += [f"{ours} is always {value}" for ours, value in self.constants.items()]
        return ", ".join(words)


def understood_from(text: str) -> Understood:
    """Return what a ledger entry says."""
    entry = json.loads(text)
    form = entry["form"]
    form["empty_words"] = tuple(form["empty_words"])
    entry |= {key: tuple(entry[key]) for key in ("titles", "columns")}
    return Understood(**entry | {"form": Form(**form)})


def form_of(text: str) -> Form:
    """Return the form of values a ledger entry says."""
    return understood_from(text).form


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
        cells = (_column(table, column) for column in table.columns)
        connection.execute(
            compose(
                "create table if not exists {table} (file_id integer not null, "
                "line bigint not null, {cells}, extra varchar)",
                table=qualified("raw", table),
                cells=joined(", ", cells),
            )
        )


def _column(table: Table, column: Column) -> Sql:
    """Return a column's definition; what differs from row to row is not a dictionary.

    Looking for one in it takes the engine three times as long as packing it.
    """
    is_own = table.key == (column.name,) or column.one_of == "odometer"
    packing = Sql(" using compression zstd" if is_own else "")
    return compose("{c} varchar{packing}", c=name(column.name), packing=packing)


def reading(source: Source, intake: Intake) -> str:
    """Return a fingerprint of what the settings say of reading a file."""
    said = source.mapping.model_dump_json(exclude={"name"})
    parts = (source.table.name, said, intake.max_cell_bytes)
    return sha256(repr(parts).encode()).hexdigest()


def known_to(
    connection: duckdb.DuckDBPyConnection, sources: Sequence[Source], intake: Intake
) -> dict[str, frozenset[str]]:
    """Return for each file name the hashes of what need not be read under it.

    That is all that was taken in, but for what the settings now say to read otherwise.
    """
    query = "select sha256, file, understood from raw.files"
    try:
        rows = connection.sql(query).fetchall()
    except duckdb.CatalogException:  # nothing was ever taken in
        rows = []
    hashes = frozenset(sha for sha, _, _ in rows)
    now = {source.file: reading(source, intake) for source in sources}
    read_by = [(sha, file, understood_from(text).read_by) for sha, file, text in rows]
    return {
        name: hashes
        - {s for s, file, by in read_by if file == name and by not in ("", by_now)}
        for name, by_now in now.items()
    }


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
