"""Keys and versions: which row of a key stands, and what became of the others.

The same row again is a duplicate. The same key with other content in a later load
replaces the older row. Within one load neither can win: both are refused.
"""

from collections.abc import Sequence
from typing import Final

import duckdb

from fleetbelt.contract import Column, Table
from fleetbelt.ingest.set_aside import refuse, supersede
from fleetbelt.ingest.statements import (
    Sql,
    compose,
    joined,
    literal,
    name,
    number,
    qualified,
)
from fleetbelt.ingest.views import FileGroup, typed_rows
from fleetbelt.units import KM_PER_MILE, MM_PER_INCH, NEWTONS_PER

CONFLICT: Final = "conflicting_key"  # why two rows of one load are refused
_PER: Final = {"mi": 1.0, "km": KM_PER_MILE, "mm": 1.0, "in": 1.0 / MM_PER_INCH}


def distance(table: Table, stem: str) -> Sql:
    """Return a distance in its canonical unit, to the thousandth, from both columns."""
    columns = [c for c in table.columns if c.one_of == stem]
    values = [
        compose("{c} / {per}", c=name(c.name), per=number(_PER[c.name.split("_")[-1]]))
        for c in columns
    ]
    return compose("round(coalesce({values}), 3)", values=joined(", ", values))


def key_parts(table: Table) -> list[Sql]:
    """Return the parts of the table's key as SQL over its typed columns."""
    return [_part(table, part) for part in table.key]


def _part(table: Table, part: str) -> Sql:
    if any(column.one_of == part for column in table.columns):
        return distance(table, part)
    if part == "run":
        same = [_part(table, other) for other in table.key if other != "run"]
        return compose(
            "coalesce(run, cast(row_number() over "
            "(partition by file_id, {same} order by line) as varchar))",
            same=joined(", ", same),
        )
    if part == "reference":
        return compose("round(reference * {newtons}, 3)", newtons=_newtons())
    column = table.column(part)
    if column.type == "text":
        return compose("coalesce({c}, '')", c=name(part))
    return name(part)


def _newtons() -> Sql:
    branches = (
        compose("when {unit} then {n}", unit=literal(unit), n=number(newtons))
        for unit, newtons in NEWTONS_PER.items()
    )
    return compose("case unit {branches} end", branches=joined(" ", branches))


def _content(table: Table) -> Sql:
    """Return what a row says beside its key, in canonical units, as one number."""
    parts: list[Sql] = []
    for column in table.columns:
        if not column.one_of:
            parts += [] if _is_in_key(table, column) else [name(column.name)]
        elif column.one_of not in table.key:
            parts.append(distance(table, column.one_of))
    parts = list(dict.fromkeys(parts))
    return compose(
        "md5_number(cast(json_array({parts}) as varchar))", parts=joined(", ", parts)
    )


def _is_in_key(table: Table, column: Column) -> bool:
    return column.name in table.key and column.name != "reference"


def repeats_keys(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    added: Sequence[FileGroup],
    known: Sequence[FileGroup],
) -> bool:
    """Tell whether added files may repeat a key, be it their own or a known one.

    Refused rows count too, and so do repeats of one calibration without a number.
    """
    parts, names = key_columns(table)
    keys = (
        compose(
            "select {parts} from ({rows})",
            parts=parts,
            rows=typed_rows(table, groups),
        )
        for groups in (added, known)
    )
    query = compose(
        "with added as ({added}), known as ({known}) "
        "select (select {repeated} from added) "
        "or exists (select 1 from known semi join added using ({names}))",
        added=next(keys),
        known=next(keys),
        repeated=_is_repeated(names),
        names=joined(", ", names),
    )
    return connection.execute(query).fetchall() == [(True,)]


def key_columns(table: Table) -> tuple[Sql, list[Sql]]:
    """Return the parts of a table's key by names, and those; but for a repeat's run."""
    parts = [_part(table, part) for part in table.key if part != "run"]
    return _named(parts), _names(parts)


def _names(parts: Sequence[Sql]) -> list[Sql]:
    return [Sql(f"part_{n}") for n in range(len(parts))]


def _named(parts: Sequence[Sql]) -> Sql:
    pairs = zip(parts, _names(parts), strict=True)
    return joined(", ", (compose("{p} as {n}", p=p, n=n) for p, n in pairs))


def _is_repeated(names: Sequence[Sql]) -> Sql:
    """Return whether a key stands twice; at worst two keys with one hash seem one."""
    hashed = compose("hash({names})", names=joined(", ", names))
    return compose("count(*) > count(distinct {hashed})", hashed=hashed)


def settle_versions(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Leave one row a key in the typed table; set the others aside."""
    parts = key_parts(table)
    names = _names(parts)
    keyed = compose(
        "select file_id, line, load_id, {parts}, {content} as content "
        "from {table} join raw.files using (file_id)",
        parts=_named(parts),
        content=_content(table),
        table=qualified("typed", table),
    )
    repeated = compose(
        "select {names} from ({keyed}) group by {names} having count(*) > 1",
        names=joined(", ", names),
        keyed=keyed,
    )
    count = compose(
        "select {repeated} from ({keyed})", repeated=_is_repeated(names), keyed=keyed
    )
    if connection.execute(count).fetchall() == [(False,)]:
        return
    connection.execute(_fates(keyed, repeated, names))
    _apply(connection, table)


def _fates(keyed: Sql, repeated: Sql, names: list[Sql]) -> Sql:
    shown = (compose("cast({n} as varchar)", n=n) for n in names)
    return compose(
        """
create or replace temp table fates as
with

keyed as ({keyed}),

versions as (
    select *, concat_ws('|', {shown}) as key
    from keyed semi join ({repeated}) using ({names})
),

judged as (
    select
        *,
        min(content) over same_load <> max(content) over same_load as is_conflict
    from versions
    window same_load as (partition by {names}, load_id)
),

ordered as (
    select *, lag(content) over same_key as content_before
    from judged
    where not is_conflict
    window same_key as (partition by {names} order by load_id, file_id, line)
),

changes as (
    select *, lead(file_id) over same_key as by_file_id
    from ordered
    where content_before is null or content_before <> content
    window same_key as (partition by {names} order by load_id, file_id, line)
)

select
    file_id, line, key,
    case when by_file_id is null then 'current' else 'replaced' end as fate,
    by_file_id
from changes
union all
select file_id, line, key, 'duplicate', null from ordered
where content_before = content
union all
select file_id, line, key, 'conflict', null from judged where is_conflict
""",
        keyed=keyed,
        repeated=repeated,
        names=joined(", ", names),
        shown=joined(", ", shown),
    )


def _apply(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Set aside what does not stand."""
    conflicts = compose(
        "select file_id, line, {column} as column_name, {reason} as reason "
        "from fates where fate = 'conflict'",
        column=literal(table.key[0]),
        reason=literal(CONFLICT),
    )
    refuse(connection, table, conflicts)
    replaced = (
        "select file_id, line, key, by_file_id from fates where fate = 'replaced'"
    )
    supersede(connection, table, Sql(replaced))
    connection.execute(
        "insert into typed.duplicates select file_id, $table_name, line "
        "from fates where fate = 'duplicate'",
        {"table_name": table.name},
    )
    connection.execute("drop table fates")
