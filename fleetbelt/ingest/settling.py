"""raw.* to typed.*: the accepted rows that stand, and what became of all others.

Everything in schema `typed` follows from schema `raw` and the settings, by one function
that is run again after every load and unload, on the added files alone where they only
add to what was settled. So nothing is lost by taking a file back,
and every row read is in exactly one place: accepted, replaced, duplicate or refused.
"""

from collections.abc import Mapping, Sequence, Set
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import Final

import duckdb

from fleetbelt.contract import INPUTS, Table, input_table
from fleetbelt.ingest.accounts import write_accounts
from fleetbelt.ingest.casts import Form
from fleetbelt.ingest.codes import write_codes
from fleetbelt.ingest.doubts import find_doubts
from fleetbelt.ingest.judging import begin, recall, refuse_unfit, remember
from fleetbelt.ingest.ledger import form_of
from fleetbelt.ingest.rules import refuse_by_rules
from fleetbelt.ingest.set_aside import refuse_malformed
from fleetbelt.ingest.settings_table import write_settings
from fleetbelt.ingest.versions import repeats_keys, settle_versions
from fleetbelt.ingest.views import (
    SET_ASIDE,
    FileGroup,
    typed_view,
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
    judge = _fingerprint(settings)
    follows_from = f"{judge} {_ledger(connection)}"
    if _is_settled(connection, follows_from):
        return
    connection.execute(SET_ASIDE)
    write_settings(connection, settings)
    write_codes(connection)
    groups = {table: _groups(connection, table) for table in INPUTS}
    known = recall(connection, judge)
    added = {table: _without(known, groups[table]) for table in INPUTS}
    adds = bool(known) and _only_adds(connection, groups, added)
    begin(connection, adds=adds)
    for table in INPUTS:
        connection.execute(typed_view(table, groups[table]))
        refuse_unfit(connection, table, added[table])
        if groups[table] and not adds:
            settle_versions(connection, table)
    remember(connection, judge)
    find_doubts(connection, _file_ids(added) if adds else ())
    refuse_by_rules(connection)
    refuse_malformed(connection)
    write_accounts(connection)
    connection.execute(
        "create or replace table typed.settled as select $it as follows_from",
        {"it": follows_from},
    )


def _only_adds(
    connection: duckdb.DuckDBPyConnection,
    groups: Mapping[Table, Sequence[FileGroup]],
    added: Mapping[Table, Sequence[FileGroup]],
) -> bool:
    """Tell whether the added files leave alone what was said of the rows before."""
    if added[input_table("vehicles")]:
        return False
    ids = frozenset(_file_ids(added))
    return not any(
        repeats_keys(connection, table, added[table], _without(ids, groups[table]))
        for table in INPUTS
        if added[table]
    )


def _without(
    file_ids: Set[int], groups: Sequence[FileGroup]
) -> list[tuple[Form, list[int]]]:
    """Return groups without some files, and without those that are left empty."""
    left = ((form, [n for n in ids if n not in file_ids]) for form, ids in groups)
    return [(form, ids) for form, ids in left if ids]


def _file_ids(groups: Mapping[Table, Sequence[FileGroup]]) -> list[int]:
    of_tables = chain.from_iterable(groups.values())
    return [file_id for _, ids in of_tables for file_id in ids]


def _fingerprint(settings: Settings) -> str:
    """Return a hash of what judges: the settings, the code, the rules, the engine."""
    hashed = sha256(f"{settings!r} {duckdb.__version__}".encode())
    package = Path(__file__).parents[1]
    code = chain.from_iterable(package.glob(f"{part}/*.py") for part in _SETTLED_BY)
    for path in sorted((*code, *(bundled("sql") / "checks").iterdir())):
        hashed.update(path.read_bytes())
    return hashed.hexdigest()


def _ledger(connection: duckdb.DuckDBPyConnection) -> str:
    """Return a hash of what there is to judge."""
    rows = connection.sql(
        "select * exclude (loaded_at) from raw.files order by file_id"
    ).fetchall()
    return sha256(f"{rows}".encode()).hexdigest()


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
