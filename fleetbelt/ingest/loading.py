"""Take files in, once and only once, whole or not at all; take one back."""

import os
import tempfile
from collections.abc import Mapping, Sequence, Set
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from fleetbelt.contract import INPUTS, input_table
from fleetbelt.errors import InputError
from fleetbelt.ingest.accounts import Account, accounts, check_ledger, refuse_floods
from fleetbelt.ingest.adding import until_sure
from fleetbelt.ingest.batch import Batch
from fleetbelt.ingest.folder import Folder, Source, look_into
from fleetbelt.ingest.ledger import create_raw, forget, known_to
from fleetbelt.ingest.left_out import rows_left_out
from fleetbelt.ingest.reports import FileReport, LoadReport
from fleetbelt.ingest.settling import settle
from fleetbelt.ingest.snapshot import Snapshot, take
from fleetbelt.settings import Settings
from fleetbelt.store.database import in_any_order, transaction
from fleetbelt.store.places import place_errors, printable
from fleetbelt.store.workplace import workplace


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
        Every file's account. A file already known loads nothing, unless the settings
        now say to read it otherwise: then it is read anew, in its old place.

    Raises
    ------
    InputError
        A required file is missing, a file is no table, or too much of it is refused.
    PlaceError
        A file cannot be read, or the disk or the memory is too small.
    StoreError
        The database holds other rows than its ledger says.
    """
    found = look_into(folder, settings)
    scratch, database = Path(tempfile.gettempdir()), database_path(connection)
    with (
        place_errors(scratch),
        workplace() as place,
    ):
        known = known_to(connection, found.sources, settings.intake)
        snapshots = _snapshots(found.sources, place, settings, known)
        careful: set[str] = set()

        def take_in() -> LoadReport:
            with transaction(connection):
                create_raw(connection)
                check_ledger(connection)
                batch = Batch(connection, settings, now.astimezone(UTC), careful)
                _add_all(batch, snapshots)
                _refuse_missing(connection, folder)
                settle(connection, settings)
                kept = {account.file_id: account for account in accounts(connection)}
                if not accept_refusals:
                    fresh = [kept[file_id] for file_id in batch.new_file_ids]
                    refuse_floods(connection, fresh, settings.intake)
                left_out = {
                    file_id: rows_left_out(
                        connection, input_table(kept[file_id].table_name), file_id
                    )
                    for file_id in batch.new_file_ids
                }
            return _report(found, batch, kept, left_out)

        with place_errors(database), in_any_order(connection):
            report = until_sure(take_in, careful)
        with place_errors(database, "the records are in"):
            connection.execute("checkpoint")
    return report


def database_path(connection: duckdb.DuckDBPyConnection) -> Path:
    """Return the file of the database; an empty path where it is in memory."""
    rows = connection.execute(
        "select path from duckdb_databases() where database_name = current_database()"
    ).fetchall()
    return Path(rows[0][0] or "")


def _snapshots(
    sources: Sequence[Source],
    place: Path,
    settings: Settings,
    known: Mapping[str, Set[str]],
) -> list[tuple[Source, Snapshot]]:
    """Copy all files but the known; what is wrong with any of them is said at once."""
    snapshots, errors = [], []
    with ThreadPoolExecutor(os.cpu_count()) as pool:  # hashing is most of the work
        taken = [
            pool.submit(take, source, place, settings.intake, known[source.file])
            for source in sources
        ]
        try:
            for source, one in zip(sources, taken, strict=True):
                try:
                    snapshots.append((source, one.result()))
                except InputError as error:
                    errors.append(error)
        finally:
            pool.shutdown(cancel_futures=True)
    raise_together(errors)
    return snapshots


def _add_all(batch: Batch, snapshots: Sequence[tuple[Source, Snapshot]]) -> None:
    errors = []
    for source, snapshot in snapshots:
        try:
            batch.add(source, snapshot)
        except InputError as error:
            errors.append(error)
    raise_together(errors)


def raise_together(errors: Sequence[InputError]) -> None:
    """Raise what is wrong with several files as one error."""
    if len(errors) == 1:
        raise errors[0]
    if errors:
        problems = "; ".join(f"{e.where}: {e.what.rstrip('.')}" for e in errors)
        raise InputError(
            what=f"{len(errors)} files cannot be taken in: {problems}.",
            where="the data folder",
            fix=" ".join(dict.fromkeys(error.fix for error in errors)),
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
            where=printable(str(folder)),
            fix="put them there, or map other file names in fleetbelt.toml; "
            "`fleetbelt dictionary` lists every table.",
        )


def unload(
    connection: duckdb.DuckDBPyConnection, sha256: str, settings: Settings
) -> None:
    """Take one file's rows back; what it had replaced stands again.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        To the database, outside a transaction.
    sha256 : str
        Of the file's bytes, as in ``results.load_files``.
    settings : Settings
        The settings in force.

    Raises
    ------
    InputError
        No file of that hash was taken in.
    PlaceError
        The disk or the memory is too small.
    """
    with place_errors(database_path(connection)), transaction(connection):
        create_raw(connection)
        found = connection.execute(
            "select file_id from raw.files where sha256 = ?",
            [sha256.strip().lower()],
        ).fetchall()
        if not found:
            raise InputError(
                what=f"No file with the hash {sha256} was taken in.",
                where="--file",
                fix="take the sha256 from the table results.load_files.",
            )
        forget(connection, [file_id for (file_id,) in found])
        settle(connection, settings)
    with place_errors(database_path(connection), "the file is taken back"):
        connection.execute("checkpoint")


def _report(
    found: Folder, batch: Batch, kept: dict[int, Account], left_out: dict[int, int]
) -> LoadReport:
    new = set(batch.new_file_ids)
    files = []
    for source in found.sources:
        account = kept[batch.file_ids[source.file]]
        is_known = account.file_id not in new
        new.discard(account.file_id)  # the same content under a second name is known
        report = _file_report(source, account, is_known=is_known)
        n_left_out = 0 if is_known else left_out[account.file_id]
        files.append(replace(report, rows_left_out=n_left_out))
    return LoadReport(
        files=tuple(files),
        ignored_files=found.ignored,
        read_anew=tuple(batch.read_anew),
        load_id=batch.load_id if batch.new_file_ids else None,
    )


def _file_report(source: Source, account: Account, *, is_known: bool) -> FileReport:
    return FileReport(
        file=source.file,
        table_name=source.table.name,
        rows_read=account.rows_read,
        rows_loaded=0 if is_known else account.rows_loaded,
        rows_quarantined=0 if is_known else account.rows_quarantined,
        rows_duplicate=account.rows_read if is_known else account.rows_duplicate,
        is_known=is_known,
        unknown_columns=account.unknown_columns,
    )
