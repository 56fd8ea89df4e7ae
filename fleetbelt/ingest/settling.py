"""raw.* to typed.*: the accepted rows that stand, and what became of all others.

Everything in schema `typed` follows from schema `raw` and the settings, by one function
that is run again after every load and unload. So nothing is lost by taking a file back,
and every row read is in exactly one place: accepted, replaced, duplicate or refused.
"""

from collections.abc import Sequence

import duckdb

from fleetbelt.contract import INPUTS, Table
from fleetbelt.ingest.casts import Form, reasons
from fleetbelt.ingest.codes import write_codes
from fleetbelt.ingest.ledger import form_of
from fleetbelt.ingest.rules import refuse_by_rules
from fleetbelt.ingest.set_aside import refuse, refuse_malformed
from fleetbelt.ingest.settings_table import write_settings
from fleetbelt.ingest.statements import (
    Sql,
    compose,
    joined,
    literal,
    qualified,
    whole,
)
from fleetbelt.ingest.versions import settle_versions
from fleetbelt.ingest.views import (
    DOUBTS,
    KEEP_STANDING,
    ODOMETER_NEIGHBOURS,
    SET_ASIDE,
    SIGHTINGS,
    FileGroup,
    typed_view,
    valued,
)
from fleetbelt.settings import Settings


def settle(connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Build schema typed anew from schema raw.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction, with schema raw in place.
    settings : Settings
        What the rules allow; shown to SQL as ``typed.settings``.
    """
    connection.execute("create schema if not exists typed")
    connection.execute(SET_ASIDE)
    write_settings(connection, settings)
    write_codes(connection)
    for table in INPUTS:
        groups = _groups(connection, table)
        connection.execute(typed_view(table, groups))
        for form, file_ids in groups:
            _refuse_unfit(connection, table, _unfit(table, form, file_ids))
        if groups:
            settle_versions(connection, table)
    connection.execute(SIGHTINGS)
    connection.execute(DOUBTS)
    connection.execute(ODOMETER_NEIGHBOURS)
    refuse_by_rules(connection)
    connection.execute(KEEP_STANDING)
    refuse_malformed(connection)
    connection.execute("drop table if exists temp.unfit")


def _groups(connection: duckdb.DuckDBPyConnection, table: Table) -> list[FileGroup]:
    """Return the table's files by the way they write values."""
    rows = connection.execute(
        "select file_id, understood from raw.files where table_name = ? "
        "order by file_id",
        [table.name],
    ).fetchall()
    groups: list[tuple[Form, list[int]]] = []
    for file_id, understood in rows:
        form = form_of(understood)
        same = next((ids for known, ids in groups if known == form), None)
        if same is None:
            groups.append((form, [file_id]))
        else:
            same.append(file_id)
    return list(groups)


def _refuse_unfit(
    connection: duckdb.DuckDBPyConnection, table: Table, unfit: Sql
) -> None:
    statement = compose("create or replace temp table unfit as {unfit}", unfit=unfit)
    ((n_unfit,),) = connection.execute(statement).fetchall()
    if n_unfit:
        refuse(connection, table, Sql("select * from unfit"))


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
