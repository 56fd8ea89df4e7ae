"""The account of every file: rows read = loaded + quarantined + duplicate, always."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import duckdb

from fleetbelt.contract import INPUTS, input_table
from fleetbelt.errors import InputError, StoreError
from fleetbelt.ingest.codes import setting_for
from fleetbelt.ingest.ledger import understood_from
from fleetbelt.ingest.statements import Sql, compose, joined, qualified
from fleetbelt.settings import Intake


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What became of one file's rows; each count is made on its own."""

    file_id: int
    file: str
    sha256: str
    table_name: str
    rows_read: int
    rows_loaded: int
    rows_quarantined: int
    rows_duplicate: int
    unknown_columns: tuple[str, ...]


_ACCOUNTS: Final = """
create or replace table typed.accounts as
with

standing as ({standing}),

stand as (select file_id, count(*) as n from standing group by file_id),

superseded as (select file_id, count(*) as n from typed.replaced group by file_id),

quarantined as (select file_id, count(*) as n from typed.refusals group by file_id),

duplicates as (select file_id, count(*) as n from typed.duplicates group by file_id)

select
    files.file_id,
    coalesce(stand.n, 0) + coalesce(superseded.n, 0) as rows_loaded,
    coalesce(quarantined.n, 0) as rows_quarantined,
    coalesce(duplicates.n, 0) as rows_duplicate,
    coalesce(superseded.n, 0) as rows_superseded
from raw.files as files
left join stand using (file_id)
left join superseded using (file_id)
left join quarantined using (file_id)
left join duplicates using (file_id)
"""


def _rows_of(schema: str) -> Sql:
    """Return the file of every row of a schema's input tables."""
    return joined(
        " union all ",
        (
            compose("select file_id from {table}", table=qualified(schema, table))
            for table in INPUTS
        ),
    )


def write_accounts(connection: duckdb.DuckDBPyConnection) -> None:
    """Write ``typed.accounts`` anew: what became of every file's rows."""
    connection.execute(compose(_ACCOUNTS, standing=_rows_of("typed")))


def accounts(connection: duckdb.DuckDBPyConnection) -> tuple[Account, ...]:
    """Return every file's account.

    Raises
    ------
    StoreError
        An account does not add up: a fault of fleetbelt.
    """
    rows = connection.execute(
        "select file_id, file, sha256, table_name, rows_read, rows_loaded, "
        "rows_quarantined, rows_duplicate, understood "
        "from raw.files join typed.accounts using (file_id) order by file_id"
    ).fetchall()
    found = tuple(
        Account(
            file_id=row[0],
            file=row[1],
            sha256=row[2],
            table_name=row[3],
            rows_read=row[4],
            rows_loaded=row[5],
            rows_quarantined=row[6],
            rows_duplicate=row[7],
            unknown_columns=_unknown_columns(row[3], row[8]),
        )
        for row in rows
    )
    for account in found:
        n_found = (
            account.rows_loaded + account.rows_quarantined + account.rows_duplicate
        )
        if n_found != account.rows_read:
            raise StoreError(
                what=f"{account.rows_read} rows were read and {n_found} are "
                "accounted for.",
                where=account.file,
                fix="nothing was changed; report this with the file.",
            )
    return found


def _unknown_columns(table_name: str, understood: str) -> tuple[str, ...]:
    known = {column.name for column in input_table(table_name).columns}
    columns = understood_from(understood).columns
    return tuple(column for column in columns if column not in known)


def check_ledger(connection: duckdb.DuckDBPyConnection) -> None:
    """Refuse a database that holds more or fewer rows than its ledger says.

    Raises
    ------
    StoreError
        Rows were lost outside fleetbelt, for example with a deleted side file.
    """
    rows = compose(
        "{rows} union all select file_id from raw.malformed", rows=_rows_of("raw")
    )
    wrong = connection.execute(
        compose(
            """
            with held as (
                select file_id, count(*) as n from ({rows}) group by file_id
            )
            select coalesce(file, 'no file of the ledger'), rows_read, n
            from raw.files full join held using (file_id)
            where coalesce(rows_read, 0) <> coalesce(n, 0)
            """,
            rows=rows,
        )
    ).fetchall()
    if wrong:
        file, n_read, n_held = wrong[0]
        raise StoreError(
            what=f"The database holds {n_held or 0} rows of a file of {n_read or 0}.",
            where=file,
            fix="load the CSV files into a new database.",
        )


def refuse_floods(
    connection: duckdb.DuckDBPyConnection, fresh: Sequence[Account], intake: Intake
) -> None:
    """Refuse the load where too much of a file would be refused.

    Raises
    ------
    InputError
        It names the file and its commonest reason.
    """
    for account in fresh:
        share = account.rows_quarantined / max(account.rows_read, 1)
        if account.rows_read < intake.refused_share_min_rows:
            continue
        if share > intake.refused_share:
            raise _flood(connection, account)


def _hint(reason: str) -> str:
    """Return which setting may mend the first of the reasons."""
    setting = setting_for(reason.partition("; ")[0])
    return f"perhaps set {setting} for it in fleetbelt.toml; " if setting else ""


def _flood(connection: duckdb.DuckDBPyConnection, account: Account) -> InputError:
    reason, column, n, line, raw = connection.execute(
        """
        select reason, column_name, count(*), min(line), arg_min(raw, line)
        from typed.refusals
        where file_id = $id
        group by reason, column_name
        order by count(*) desc, reason, column_name
        limit 1
        """,
        {"id": account.file_id},
    ).fetchall()[0]
    what = f"{reason} in {column}" if column else reason
    return InputError(
        what=f"{account.rows_quarantined:,} of {account.rows_read:,} rows would be "
        f"refused, most ({n:,}) for {what}.",
        where=f"{account.file}, first in line {line}: {raw[:200]}",
        fix=f"{_hint(reason)}`fleetbelt check` shows how the file was understood; "
        "or load it as it is with --accept-refusals.",
    )
