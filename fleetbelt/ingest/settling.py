"""raw.* to typed.*: the accepted rows that stand, and what became of all others.

Everything in schema `typed` follows from schema `raw` and the settings, by one function
that is run again after every load and unload. So nothing is lost by taking a file back,
and every row read is in exactly one place: accepted, replaced, duplicate or refused.
"""

from collections.abc import Sequence
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import Final

import duckdb

from fleetbelt.contract import INPUTS, Table
from fleetbelt.ingest.accounts import write_accounts
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
from fleetbelt.resources import bundled
from fleetbelt.settings import Settings

_SETTLED_BY: Final = ("ingest", "contract")  # the code that schema typed follows from


def settle(connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Build schema typed anew from schema raw, unless nothing it follows from changed.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction, with schema raw in place.
    settings : Settings
        What the rules allow; shown to SQL as ``typed.settings``.
    """
    connection.execute("create schema if not exists typed")
    follows_from = _fingerprint(connection, settings)
    if _is_settled(connection, follows_from):
        return
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
    write_accounts(connection)
    connection.execute(
        "create or replace table typed.settled as select $it as follows_from",
        {"it": follows_from},
    )


def _fingerprint(connection: duckdb.DuckDBPyConnection, settings: Settings) -> str:
    """Return a hash of all that schema typed follows from: ledger, settings, code."""
    ledger = connection.sql("from raw.files order by file_id").fetchall()
    hashed = sha256(f"{ledger} {settings!r} {duckdb.__version__}".encode())
    package = Path(__file__).parents[1]
    code = chain.from_iterable(package.glob(f"{part}/*.py") for part in _SETTLED_BY)
    for path in sorted((*code, *(bundled("sql") / "checks").iterdir())):
        hashed.update(path.read_bytes())
    return hashed.hexdigest()


def _is_settled(connection: duckdb.DuckDBPyConnection, follows_from: str) -> bool:
    query = "select follows_from from typed.settled"
    try:
        return connection.sql(query).fetchall() == [(follows_from,)]
    except duckdb.CatalogException:  # the first load
        return False


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
