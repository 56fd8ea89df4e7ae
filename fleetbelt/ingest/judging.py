"""Rows that are refused by themselves: a file is judged once, while its judge stays."""

from collections.abc import Sequence

import duckdb

from fleetbelt.contract import Table
from fleetbelt.ingest.casts import Form, reasons
from fleetbelt.ingest.set_aside import refuse
from fleetbelt.ingest.statements import (
    Sql,
    compose,
    joined,
    literal,
    qualified,
    whole,
)
from fleetbelt.ingest.versions import CONFLICT
from fleetbelt.ingest.views import FileGroup, valued


def recall(connection: duckdb.DuckDBPyConnection, judge: str) -> frozenset[int]:
    """Return the files that were settled by the same judge.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction.
    judge : str
        Of the settings and the code: another one settles every file anew.

    Returns
    -------
    frozenset of int
        None of them where one was taken back since.
    """
    connection.execute(
        "create table if not exists typed.judged (file_id integer, judged_by varchar);"
        "create table if not exists typed.unfit as from typed.refusals"
    )
    found = connection.execute(
        "select file_id, judged_by = $by and file_id in (select file_id from raw.files)"
        " from typed.judged",
        {"by": judge},
    ).fetchall()
    if found and all(stands for _, stands in found):
        return frozenset(file_id for file_id, _ in found)
    connection.execute("delete from typed.judged; delete from typed.unfit")
    return frozenset()


def begin(connection: duckdb.DuckDBPyConnection, *, adds: bool) -> None:
    """Set aside what was before: all of it, or of repeated keys and by rules nothing.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction.
    adds : bool
        Nothing has come that repeats a key: what was said of keys stands.
    """
    connection.execute("delete from typed.refusals")
    if adds:
        connection.execute("insert into typed.refusals from typed.unfit")
        return
    connection.execute(
        "delete from typed.replaced; delete from typed.duplicates;"
        "insert into typed.refusals from typed.unfit where reason <> $by_key",
        {"by_key": CONFLICT},
    )


def remember(connection: duckdb.DuckDBPyConnection, judge: str) -> None:
    """Keep what is refused so far: all but what the rules across rows will refuse."""
    connection.execute("create or replace table typed.unfit as from typed.refusals")
    connection.execute(
        "create or replace table typed.judged as "
        "select file_id, cast($by as varchar) as judged_by from raw.files",
        {"by": judge},
    )


def refuse_unfit(
    connection: duckdb.DuckDBPyConnection, table: Table, groups: Sequence[FileGroup]
) -> None:
    """Refuse the rows of a table's files that are refused by themselves."""
    for form, file_ids in groups:
        _refuse(connection, table, _unfit(table, form, file_ids))


def _refuse(connection: duckdb.DuckDBPyConnection, table: Table, unfit: Sql) -> None:
    statement = compose("create or replace temp table unfit as {unfit}", unfit=unfit)
    ((n_unfit,),) = connection.execute(statement).fetchall()
    if n_unfit:
        refuse(connection, table, Sql("select * from temp.unfit"))
    connection.execute("drop table temp.unfit")


def _unfit(table: Table, form: Form, file_ids: Sequence[int]) -> Sql:
    """Return the query for every row with a reason against it, and the reasons."""
    rows = compose(
        "from {raw} where file_id in ({ids})",
        raw=qualified("raw", table),
        ids=whole(file_ids),
    )
    against = reasons(table, form)
    coded = (
        compose(
            "case when {condition} then {reason} end",
            condition=reason.condition,
            reason=literal(f"{reason.column}:{reason.code}"),
        )
        for reason in against
    )
    return compose(
        """
        select
            file_id,
            line,
            split_part(found[1], ':', 1) as column_name,
            array_to_string(
                list_filter(
                    list_transform(found, lambda x: split_part(x, ':', 2)),
                    lambda x, i: list_position(
                        list_transform(found, lambda y: split_part(y, ':', 2)), x
                    ) = i
                ),
                '; '
            ) as reason
        from (
            select
                file_id,
                line,
                list_filter([{coded}], lambda x: x is not null) as found
            from ({valued}) join raw.files using (file_id)
            where {conditions}
        )
        """,
        coded=joined(", ", coded),
        valued=valued(table, form, rows),
        conditions=joined(" or ", (Sql(f"({r.condition})") for r in against)),
    )
