"""Schema `typed` as views: raw rows seen through the contract, less those set aside.

A row is in exactly one place because a view shows every raw row that is not in
``typed.set_aside``; nothing is copied, so nothing can be lost or doubled on the way.
"""

from collections.abc import Sequence
from typing import Final

from fleetbelt.contract import Table
from fleetbelt.contract.tables import Type
from fleetbelt.ingest.casts import Form, cell_of, value_of
from fleetbelt.ingest.statements import (
    Sql,
    compose,
    joined,
    name,
    qualified,
    whole,
)

FileGroup = tuple[Form, Sequence[int]]
"""A way of writing values, and the files that use it."""

_ENGINE_TYPES: Final[dict[Type, Sql]] = {
    "text": Sql("varchar"),
    "date": Sql("date"),
    "integer": Sql("bigint"),
    "real": Sql("double"),
}

_ALL: Final = Sql("")
SET_ASIDE: Final = """
create table if not exists typed.refusals (
    file_id integer, line bigint, table_name varchar, column_name varchar,
    reason varchar, raw varchar
);

create table if not exists typed.replaced (
    file_id integer, line bigint, table_name varchar, key varchar,
    by_file_id integer, raw varchar
);

create table if not exists typed.duplicates (
    file_id integer, table_name varchar, line bigint
);

create or replace view typed.set_aside as
select file_id, line from typed.refusals
union all
select file_id, line from typed.replaced
union all
select file_id, line from typed.duplicates
"""
"""Where the rows go that are not accepted or no longer stand."""


def typed_view(table: Table, groups: Sequence[FileGroup]) -> Sql:
    """Return the making of a table's view of accepted rows that stand.

    Parameters
    ----------
    table : Table
        A table of the contract.
    groups : sequence of (Form, file numbers)
        Its files by the way they write values.
    """
    standing = Sql("anti join typed.set_aside using (file_id, line)")
    return compose(
        "create or replace view {table} as {rows}",
        table=qualified("typed", table),
        rows=typed_rows(table, groups, standing),
    )


def typed_rows(table: Table, groups: Sequence[FileGroup], standing: Sql = _ALL) -> Sql:
    """Return the rows of some files as values; all of them, or those that stand."""
    selects = [_selected(table, form, ids, standing) for form, ids in groups if ids]
    return joined(" union all ", selects or [_nothing(table)])


def _selected(table: Table, form: Form, file_ids: Sequence[int], standing: Sql) -> Sql:
    values = (
        compose("{v} as {c}", v=name(f"value_{c.name}"), c=name(c.name))
        for c in table.columns
    )
    rows = compose(
        "from {raw} {standing} where file_id in ({ids})",
        raw=qualified("raw", table),
        standing=standing,
        ids=whole(file_ids),
    )
    return compose(
        "select file_id, line, {values} from ({valued})",
        values=joined(", ", values),
        valued=valued(table, form, rows),
    )


def _nothing(table: Table) -> Sql:
    columns = (
        compose("cast(null as {t}) as {c}", t=_ENGINE_TYPES[c.type], c=name(c.name))
        for c in table.columns
    )
    return compose(
        "select cast(null as integer) as file_id, cast(null as bigint) as line, "
        "{columns} where false",
        columns=joined(", ", columns),
    )


def valued(table: Table, form: Form, rows: Sql) -> Sql:
    """Return raw rows with each cell as text (cell_…) and as value (value_…)."""
    cells = (
        compose("{x} as {c}", x=cell_of(c, form), c=name(f"cell_{c.name}"))
        for c in table.columns
    )
    values = (
        compose(
            "{x} as {c}",
            x=value_of(c, name(f"cell_{c.name}"), form),
            c=name(f"value_{c.name}"),
        )
        for c in table.columns
    )
    return compose(
        "select *, {values} from (select file_id, line, {cells} from ({rows}))",
        values=joined(", ", values),
        cells=joined(", ", cells),
        rows=rows,
    )
