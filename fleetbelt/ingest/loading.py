"""Take files in, once and only once, whole or not at all; take one back."""

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from fleetbelt.contract import INPUTS
from fleetbelt.errors import InputError, PlaceError
from fleetbelt.ingest.accounts import Account, accounts, check_ledger, refuse_floods
from fleetbelt.ingest.casts import Form
from fleetbelt.ingest.date_forms import date_order
from fleetbelt.ingest.folder import Source, look_into
from fleetbelt.ingest.opening import Opened, open_csv
from fleetbelt.ingest.raw_tables import Target, Understood, create_raw, forget
from fleetbelt.ingest.reports import FileReport, LoadReport
from fleetbelt.ingest.settle import settle
from fleetbelt.ingest.snapshot import Snapshot, take
from fleetbelt.settings import Settings
from fleetbelt.store.database import transaction


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """A file whose content the database or this load already has."""

    source: Source
    sha256: str


def load(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    settings: Settings,
    *,
    now: datetime,
    accept_refusals: bool = False,
) -> LoadReport:
    """Take a data folder's files into the database, in one transaction.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        To the database, outside a transaction.
    folder : Path
        The data folder.
    settings : Settings
        Its settings.
    now : datetime
        The time of loading; dates after its day (UTC) are refused.
    accept_refusals : bool
        Load a file also where more of it is refused than the settings allow.

    Returns
    -------
    LoadReport
        Every file's account. A file already known loads nothing.

    Raises
    ------
    InputError
        A required file is missing, a file is no table, or too much of it is refused.
    PlaceError
        A file cannot be read, or the disk or the memory is too small.
    """
    found = look_into(folder, settings)
    with _place_errors(folder), tempfile.TemporaryDirectory("fleetbelt") as workplace:
        snapshots = [
            (source, take(source, Path(workplace), settings.intake))
            for source in found.sources
        ]
        with transaction(connection):
            create_raw(connection)
            check_ledger(connection)
            batch = _Batch(connection, settings, now.astimezone(UTC))
            known = batch.add(snapshots)
            _refuse_missing(connection, folder)
            settle(connection, settings)
            by_id = {account.file_id: account for account in accounts(connection)}
            if not accept_refusals:
                fresh = [by_id[file_id] for file_id in batch.file_ids.values()]
                refuse_floods(connection, fresh, settings.intake)
        connection.execute("checkpoint")
    return _report(found.sources, found.ignored, batch, known, by_id)


class _Batch:
    """The files of one load on their way into schema raw."""

    def __init__(
        self, connection: duckdb.DuckDBPyConnection, settings: Settings, now: datetime
    ) -> None:
        self._connection, self._settings = connection, settings
        self._now = now.replace(tzinfo=None, microsecond=0)
        rows = connection.sql(
            "select coalesce(max(load_id), 0) + 1, coalesce(max(file_id), 0) + 1 "
            "from raw.files"
        ).fetchall()
        self.load_id, self._next_file_id = rows[0]
        self.file_ids: dict[str, int] = {}  # by file name

    def add(self, snapshots: Sequence[tuple[Source, Snapshot]]) -> dict[str, str]:
        """Add the files not yet known; return the hash of every other by its name."""
        known: dict[str, str] = {}
        for source, snapshot in snapshots:
            if self._is_known(snapshot.sha256):
                known[source.file] = snapshot.sha256
            else:
                self._add_one(source, snapshot)
        return known

    def _is_known(self, sha256: str) -> bool:
        return bool(
            self._connection.execute(
                "select 1 from raw.files where sha256 = ?", [sha256]
            ).fetchall()
        )

    def _add_one(self, source: Source, snapshot: Snapshot) -> None:
        file_id, self._next_file_id = self._next_file_id, self._next_file_id + 1
        opened = open_csv(source, snapshot, self._settings)
        target = Target(
            connection=self._connection,
            table=source.table,
            file_id=file_id,
            layout=opened.layout,
            constants=source.mapping.constants,
        )
        n_rows = target.add(opened.rows())
        order = date_order(self._connection, source, file_id)
        understood = replace(
            _understood(opened),
            form=replace(_form(source), date_form=order.form),
            date_form_from=order.reason,
        )
        self._connection.execute(
            "insert into raw.files values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                file_id,
                self.load_id,
                source.file,
                snapshot.sha256,
                source.table.name,
                n_rows,
                self._now,
                self._now.date(),
                understood.as_json(),
                "; ".join(opened.layout.extras) or None,
            ],
        )
        self.file_ids[source.file] = file_id


def _form(source: Source) -> Form:
    mapping = source.mapping
    return Form(
        decimal_comma=mapping.decimal_comma,
        thousands=mapping.thousands,
        empty_words=mapping.empty_words,
        words=mapping.words,
    )


def _understood(opened: Opened) -> Understood:
    return Understood(
        encoding=opened.snapshot.encoding,
        separator=opened.separator,
        sheet=opened.sheet,
        heading_line=opened.layout.line,
        titles=opened.titles,
        columns=opened.layout.headings,
        headings=opened.layout.renamed,
        constants=opened.source.mapping.constants,
    )


def _refuse_missing(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Refuse a database that would lack a table every result needs."""
    present = {
        name
        for (name,) in connection.sql("select table_name from raw.files").fetchall()
    }
    missing = [t.name for t in INPUTS if t.is_required and t.name not in present]
    if missing:
        raise InputError(
            what=f"Files are missing: {', '.join(f'{name}.csv' for name in missing)}.",
            where=str(folder),
            fix="put them there, or map other file names in fleetbelt.toml; "
            "`fleetbelt dictionary` lists every table.",
        )


def unload(
    connection: duckdb.DuckDBPyConnection, sha256: str, settings: Settings
) -> None:
    """Take one file's rows back; what it had replaced stands again.

    Raises
    ------
    InputError
        No file of that hash was taken in.
    """
    with _place_errors(Path()), transaction(connection):
        create_raw(connection)
        file_ids = connection.execute(
            "select file_id from raw.files where sha256 = ?", [sha256.strip().lower()]
        ).fetchall()
        if not file_ids:
            raise InputError(
                what=f"No file with the hash {sha256} was taken in.",
                where="--file",
                fix="take the sha256 from the table results.load_files.",
            )
        forget(connection, [file_id for (file_id,) in file_ids])
        settle(connection, settings)
    connection.execute("checkpoint")


def _report(
    sources: Sequence[Source],
    ignored: tuple[str, ...],
    batch: _Batch,
    known: dict[str, str],
    by_id: dict[int, Account],
) -> LoadReport:
    by_hash = {account.sha256: account for account in by_id.values()}
    files = []
    for source in sources:
        is_known = source.file in known
        account = (
            by_hash[known[source.file]]
            if is_known
            else by_id[batch.file_ids[source.file]]
        )
        n_read = account.rows_read
        files.append(
            FileReport(
                file=source.file,
                table_name=source.table.name,
                rows_read=n_read,
                rows_loaded=0 if is_known else account.rows_loaded,
                rows_quarantined=0 if is_known else account.rows_quarantined,
                rows_duplicate=n_read if is_known else account.rows_duplicate,
                is_known=is_known,
                unknown_columns=account.unknown_columns,
            )
        )
    return LoadReport(
        files=tuple(files),
        ignored_files=ignored,
        load_id=batch.load_id if batch.file_ids else None,
    )


@contextmanager
def _place_errors(place: Path) -> Iterator[None]:
    """Say in one sentence where disk, memory or rights did not suffice."""
    try:
        yield
    except (OSError, duckdb.IOException, duckdb.OutOfMemoryException) as error:
        where = getattr(error, "filename", None) or place
        raise PlaceError(
            what=f"Disk, memory or rights do not suffice: {_first_line(error)}",
            where=str(where),
            fix="free some space or memory, or choose another place; "
            "nothing was changed.",
        ) from error


def _first_line(error: Exception) -> str:
    return str(error).partition("\n")[0]
