"""Say how each file would be understood and what would be refused; keep nothing."""

from collections.abc import Iterator
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import duckdb

from fleetbelt.contract import INPUTS
from fleetbelt.errors import InputError
from fleetbelt.ingest.accounts import Account, accounts
from fleetbelt.ingest.adding import until_sure
from fleetbelt.ingest.batch import Batch
from fleetbelt.ingest.check_report import CheckReport, FileCheck, Refusal
from fleetbelt.ingest.folder import Folder, Source, look_into
from fleetbelt.ingest.headings import HeadingsError
from fleetbelt.ingest.ledger import create_raw, forget, understood_from
from fleetbelt.ingest.settling import settle
from fleetbelt.ingest.snapshot import take
from fleetbelt.ingest.statements import compose, literals, name, qualified
from fleetbelt.ingest.suggestions import (
    Suggestion,
    likely_headings,
    likely_words,
    settings_text,
)
from fleetbelt.settings import Settings
from fleetbelt.store.database import connect, transaction
from fleetbelt.store.places import place_errors
from fleetbelt.store.workplace import workplace

_ROWS_SHOWN, _WORDS_SHOWN = 5, 20


def suggest_settings(report: CheckReport) -> str:
    """Return a commented fleetbelt.toml for what was not understood."""
    return settings_text({file.file: file.suggestion for file in report.files})


def check(folder: Path, settings: Settings, *, today: date) -> CheckReport:
    """Read a data folder as a load would, into a database that is thrown away.

    Parameters
    ----------
    folder : Path
        The data folder.
    settings : Settings
        Its settings.
    today : date
        The day of loading; dates after it would be refused.

    Returns
    -------
    CheckReport
        How each file was understood, what would be refused, the first rows.

    Raises
    ------
    InputError
        The folder does not exist.
    PlaceError
        A file cannot be read, or the disk or the memory is too small.
    """
    found = look_into(folder, settings)
    now = datetime.combine(today, time())
    careful: set[str] = set()
    with (
        place_errors(folder),
        workplace() as place,
        connect(place / "check.duckdb") as connection,
    ):

        def take_in() -> CheckReport:
            with transaction(connection):
                create_raw(connection)
                batch = Batch(connection, settings, now, careful)
                return _checked(connection, found, batch, settings)

        return until_sure(take_in, careful)


def _checked(
    connection: duckdb.DuckDBPyConnection,
    found: Folder,
    batch: Batch,
    settings: Settings,
) -> CheckReport:
    problems = dict(_problems(connection, found, batch, settings))
    settle(connection, settings)
    kept = {account.file_id: account for account in accounts(connection)}
    files = []
    for source in found.sources:
        problem = problems.get(source.file)
        if problem:
            files.append(_refused_whole(source, problem))
        else:
            account = kept[batch.file_ids[source.file]]
            files.append(_file_check(connection, source, account))
    present = {source.table.name for source in found.sources}
    return CheckReport(
        files=tuple(files),
        ignored_files=found.ignored,
        missing_tables=tuple(
            t.name for t in INPUTS if t.is_required and t.name not in present
        ),
    )


def _problems(
    connection: duckdb.DuckDBPyConnection,
    found: Folder,
    batch: Batch,
    settings: Settings,
) -> Iterator[tuple[str, InputError]]:
    """Add what can be added; yield each other file and why it cannot."""
    with workplace() as place:
        for source in found.sources:
            file_id = batch.next_file_id
            try:
                batch.add(source, take(source, place, settings.intake))
            except InputError as error:
                forget(connection, [file_id])
                yield source.file, error


def _refused_whole(source: Source, problem: InputError) -> FileCheck:
    suggestion = Suggestion(
        date_form="date_form" in problem.fix, sheet="sheet" in problem.fix
    )
    if isinstance(problem, HeadingsError):
        suggestion = _heading_suggestion(source, problem)
    return FileCheck(
        file=source.file,
        table_name=source.table.name,
        problem=problem,
        suggestion=suggestion,
    )


def _heading_suggestion(source: Source, problem: HeadingsError) -> Suggestion:
    """Return the mapping of the row in which most headings are near to ours."""
    guesses = [
        likely_headings(source.table, row.extras, row.positions)
        for row in problem.candidates
    ]
    best = max(
        guesses, key=lambda guess: len([o for o in guess.values() if o]), default={}
    )
    return Suggestion(headings=best if any(best.values()) else {})


def _file_check(
    connection: duckdb.DuckDBPyConnection, source: Source, account: Account
) -> FileCheck:
    ((text,),) = connection.execute(
        "select understood from raw.files where file_id = ?", [account.file_id]
    ).fetchall()
    understood = understood_from(text)
    refusals = _refusals(connection, account.file_id)
    return FileCheck(
        file=source.file,
        table_name=source.table.name,
        understood=understood,
        account=account,
        refusals=refusals,
        first_rows=_first_rows(connection, source, account.file_id),
        suggestion=Suggestion(
            headings=likely_headings(
                source.table,
                account.unknown_columns,
                {*understood.columns, *understood.constants},
            ),
            words=_word_suggestions(connection, source, account.file_id),
            decimal_comma=_has_decimal_commas(connection, source, account.file_id),
        ),
    )


def _refusals(
    connection: duckdb.DuckDBPyConnection, file_id: int
) -> tuple[Refusal, ...]:
    rows = connection.execute(
        """
        select reason, coalesce(column_name, ''), count(*), min(line),
            arg_min(raw, line)
        from typed.refusals where file_id = ?
        group by reason, column_name order by count(*) desc, reason, column_name
        """,
        [file_id],
    ).fetchall()
    return tuple(
        Refusal(reason=row[0], column=row[1], n=row[2], line=row[3], raw=row[4])
        for row in rows
    )


def _first_rows(
    connection: duckdb.DuckDBPyConnection, source: Source, file_id: int
) -> tuple[dict[str, Any], ...]:
    query = compose(
        "select * exclude (file_id) from {table} where file_id = $file_id "
        "order by line limit $n",
        table=qualified("typed", source.table),
    )
    rows = connection.execute(query, {"file_id": file_id, "n": _ROWS_SHOWN}).fetchall()
    names = ["line", *(column.name for column in source.table.columns)]
    return tuple(
        {key: value for key, value in zip(names, row, strict=True) if value is not None}
        for row in rows
    )


def _word_suggestions(
    connection: duckdb.DuckDBPyConnection, source: Source, file_id: int
) -> dict[str, dict[str, str]]:
    """Return the code words of a file that are neither ours nor mapped."""
    found = {}
    for column in source.table.columns:
        if not column.words:
            continue
        known = {*column.words, *source.mapping.words.get(column.name, {})}
        query = compose(
            "select distinct {c} from {table} where file_id = $file_id "
            "and lower({c}) not in ({known}) order by all limit $n",
            c=name(column.name),
            table=qualified("raw", source.table),
            known=literals(word.strip().lower() for word in known),
        )
        rows = connection.execute(
            query, {"file_id": file_id, "n": _WORDS_SHOWN}
        ).fetchall()
        if rows:
            found[column.name] = likely_words(column.words, [row[0] for row in rows])
    return found


def _has_decimal_commas(
    connection: duckdb.DuckDBPyConnection, source: Source, file_id: int
) -> bool:
    """Tell whether cells of numbers look like 12,5 where they may not."""
    if source.mapping.decimal_comma:
        return False
    for column in source.table.columns:
        if column.type != "real":
            continue
        query = compose(
            r"select 1 from {table} where file_id = $file_id "
            r"and regexp_full_match({c}, '[-+]?\d+,\d+') limit 1",
            c=name(column.name),
            table=qualified("raw", source.table),
        )
        if connection.execute(query, {"file_id": file_id}).fetchall():
            return True
    return False
