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
from fleetbelt.ingest.views import FileGroup, valued


def recall_judged(
    connection: duckdb.DuckDBPyConnection, judged_by: str
) -> frozenset[int]:
    """Refuse again what the same judge refused of files that are still there.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction, with nothing refused yet.
    judged_by : str
        Of the settings and the code: other ones judge every file anew.

    Returns
    -------
    frozenset of int
        The files judged.
    """
    connection.execute(
        "create table if not exists typed.judged (file_id integer, judged_by varchar);"
        "create table if not exists typed.unfit as from typed.refusals"
    )
    connection.execute(
        "delete from typed.judged where judged_by <> $by "
        "or file_id not in (select file_id from raw.files)",
        {"by": judged_by},
    )
    connection.execute(
        "delete from typed.unfit "
        "where file_id not in (select file_id from typed.judged);"
        "insert into typed.refusals from typed.unfit"
    )
    found = connection.sql("select file_id from typed.judged").fetchall()
    return frozenset(file_id for (file_id,) in found)


def refuse_unfit(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    groups: Sequence[FileGroup],
    judged: frozenset[int],
    judged_by: str,
) -> None:
    """Refuse the rows of files not judged yet that are refused by themselves."""
    for form, file_ids in groups:
        fresh = [file_id for file_id in file_ids if file_id not in judged]
        if fresh:
            _refuse(connection, table, _unfit(table, form, fresh))
            _remember(connection, fresh, judged_by)


def _refuse(connection: duckdb.DuckDBPyConnection, table: Table, unfit: Sql) -> None:
    statement = compose("create or replace temp table unfit as {unfit}", unfit=unfit)
    ((n_unfit,),) = connection.execute(statement).fetchall()
    if n_unfit:
        refuse(connection, table, Sql("select * from temp.unfit"))
    connection.execute("drop table temp.unfit")


def _remember(
    connection: duckdb.DuckDBPyConnection, file_ids: Sequence[int], judged_by: str
) -> None:
    connection.execute(
        "insert into typed.judged select unnest($ids), $by",
        {"ids": file_ids, "by": judged_by},
    )
    connection.execute(
        compose(
            "insert into typed.unfit from typed.refusals where file_id in ({ids})",
            ids=whole(file_ids),
        )
    )


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
