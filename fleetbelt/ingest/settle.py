"""raw.* to typed.*: the accepted rows that stand, and what became of all others.

Everything in schema `typed` follows from schema `raw` and the settings, by one function
that is run again after every load and unload. So nothing is lost by taking a file back,
and every row read is in exactly one place: accepted, replaced, duplicate or refused.
"""

from collections.abc import Iterator
from typing import Final

import duckdb

from fleetbelt.contract import INPUTS, Table
from fleetbelt.contract.tables import Type
from fleetbelt.ingest.casts import Form, cell_of, reasons, value_of
from fleetbelt.ingest.raw_tables import form_of
from fleetbelt.ingest.rules import apply_rules
from fleetbelt.ingest.statements import (
    Sql,
    column_names,
    compose,
    joined,
    literal,
    literals,
    name,
    qualified,
    whole,
)
from fleetbelt.ingest.versions import settle_versions
from fleetbelt.ingest.views import ODOMETER_STEPS, SIGHTINGS
from fleetbelt.settings import Settings

ENGINE_TYPES: Final[dict[Type, Sql]] = {
    "text": Sql("varchar"),
    "date": Sql("date"),
    "integer": Sql("bigint"),
    "real": Sql("double"),
}


_TYPED: Final = """
create schema if not exists typed;

create or replace table typed.refusals (
    file_id integer, line bigint, table_name varchar, column_name varchar,
    reason varchar, raw varchar
);

create or replace table typed.replaced (
    file_id integer, line bigint, table_name varchar, key varchar,
    by_file_id integer, raw varchar
);

create or replace table typed.duplicates (
    file_id integer, table_name varchar, line bigint
);

create or replace table typed.preferred_sources (rank integer, source varchar);

create or replace temp table refused (
    file_id integer, line bigint, table_name varchar, column_name varchar,
    reason varchar
);

create or replace temp table replaced (
    file_id integer, line bigint, table_name varchar, key varchar, by_file_id integer
);
"""

_MALFORMED: Final = """
insert into typed.refusals
select file_id, line, table_name, null, reason, raw
from raw.malformed
join raw.files using (file_id)
"""


def settle(connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Build schema typed anew from schema raw.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction, with schema raw in place.
    settings : Settings
        What the rules allow; shown to SQL as ``typed.settings``.
    """
    _create_typed(connection, settings)
    for table in INPUTS:
        for form, file_ids in _forms(connection, table):
            connection.execute(_accept(table, form, file_ids))
            connection.execute(_refuse(table, form, file_ids))
        settle_versions(connection, table)
    apply_rules(connection)
    connection.execute(_MALFORMED)
    for table in INPUTS:
        connection.execute(_with_raw_text(table, "refused", "column_name, reason"))
        connection.execute(_with_raw_text(table, "replaced", "key, by_file_id"))
    for scratch in ("refused", "replaced"):
        connection.execute(f"drop table temp.{scratch}")


def _create_typed(connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    connection.execute(_TYPED)
    for table in INPUTS:
        columns = (
            compose("{c} {t}", c=name(c.name), t=ENGINE_TYPES[c.type])
            for c in table.columns
        )
        connection.execute(
            compose(
                "create or replace table {table} "
                "(file_id integer, line bigint, {columns})",
                table=qualified("typed", table),
                columns=joined(", ", columns),
            )
        )
    connection.execute(SIGHTINGS)
    connection.execute(ODOMETER_STEPS)
    _write_settings(connection, settings)


def _write_settings(connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Show the settings to SQL: one row, one column a setting."""
    values = flat_settings(settings)
    columns = (
        compose(
            "{c} {t}",
            c=name(key),
            t=Sql("date" if key == "records_from" else "double"),
        )
        for key in values
    )
    connection.execute(
        compose(
            "create or replace table typed.settings ({columns})",
            columns=joined(", ", columns),
        )
    )
    marks = joined(", ", (Sql("?") for _ in values))
    connection.execute(
        compose("insert into typed.settings values ({marks})", marks=marks),
        list(values.values()),
    )
    for rank, source in enumerate(settings.belts.preferred_sources, start=1):
        connection.execute(
            "insert into typed.preferred_sources values (?, ?)", [rank, source]
        )


def flat_settings(settings: Settings) -> dict[str, object]:
    """Return the settings that SQL reads, by column name."""
    belts, plan = settings.belts, settings.plan
    return {
        **settings.measurement.model_dump(),
        "run_in_recheck_mi": belts.run_in_recheck_mi,
        "run_in_minutes": belts.run_in_minutes,
        "records_from": belts.records_from,
        "max_miles_per_day": settings.intake.max_miles_per_day,
        "watch_p": settings.watchlist.p_under,
        "retension_p": plan.retension_p,
        "retension_minutes": plan.retension_minutes,
        "replacement_minutes": plan.replacement_minutes,
        **{f"cost_{key}": value for key, value in plan.costs.model_dump().items()},
    }


def _forms(
    connection: duckdb.DuckDBPyConnection, table: Table
) -> Iterator[tuple[Form, list[int]]]:
    """Yield each way of writing values with the files that use it."""
    rows = connection.execute(
        "select file_id, understood from raw.files where table_name = ? "
        "order by file_id",
        [table.name],
    ).fetchall()
    groups: list[tuple[Form, list[int]]] = []
    for file_id, understood in rows:
        form = form_of(understood)
        for known, file_ids in groups:
            if known == form:
                file_ids.append(file_id)
                break
        else:
            groups.append((form, [file_id]))
    yield from groups


def _valued(table: Table, form: Form, file_ids: list[int]) -> Sql:
    """Return the rows of some files with each cell as text and as value."""
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
        "select *, {values} from (select file_id, line, loaded_on, {cells} "
        "from {table} join raw.files using (file_id) where file_id in ({ids}))",
        values=joined(", ", values),
        cells=joined(", ", cells),
        table=qualified("raw", table),
        ids=whole(file_ids),
    )


def _accept(table: Table, form: Form, file_ids: list[int]) -> Sql:
    """Return the insertion of every row that has no reason against it."""
    values = (name(f"value_{c.name}") for c in table.columns)
    conditions = (compose("({c})", c=r.condition) for r in reasons(table, form))
    return compose(
        "insert into {table} select file_id, line, {values} from ({valued}) "
        "where not ({conditions})",
        table=qualified("typed", table),
        values=joined(", ", values),
        valued=_valued(table, form, file_ids),
        conditions=joined(" or ", conditions),
    )


def _refuse(table: Table, form: Form, file_ids: list[int]) -> Sql:
    """Return the noting of every row that was not accepted, with its reasons."""
    found = (
        compose(
            "case when {condition} then {reason} end",
            condition=r.condition,
            reason=literal(f"{r.column}:{r.code}"),
        )
        for r in reasons(table, form)
    )
    return compose(
        """
insert into refused
with

valued as (
    select * from ({valued})
    anti join {accepted} using (file_id, line)
),

judged as (
    select
        file_id,
        line,
        list_filter([{found}], lambda x: x is not null) as found
    from valued
),

coded as (
    select *, list_transform(found, lambda x: split_part(x, ':', 2)) as codes
    from judged
)

select
    file_id,
    line,
    {table_name},
    split_part(found[1], ':', 1),
    array_to_string(
        list_filter(codes, lambda x, i: list_position(codes, x) = i), '; '
    )
from coded
""",
        valued=_valued(table, form, file_ids),
        accepted=qualified("typed", table),
        found=joined(", ", found),
        table_name=literal(table.name),
    )


def _with_raw_text(table: Table, scratch: str, kept: str) -> Sql:
    """Return the noting of rows with their cells as one CSV line, in file order."""
    target = {"refused": "refusals", "replaced": "replaced"}[scratch]
    return compose(
        """
insert into {target}
select file_id, line, table_name, {kept}, array_to_string(
    list_transform(
        list_transform(
            from_json(understood -> 'columns', '["VARCHAR"]'),
            lambda heading: cells[heading]
        ),
        lambda text: case
            when text is null then ''
            when regexp_matches(text, '[",\\n]')
                then '"' || replace(text, '"', '""') || '"'
            else text
        end
    ),
    ','
)
from (
    select
        scratch.*,
        files.understood,
        map_concat(
            map([{names}], [{cells}]),
            coalesce(from_json(extra, '"MAP(VARCHAR, VARCHAR)"'), map())
        ) as cells
    from {scratch} as scratch
    join {raw} as raw using (file_id, line)
    join raw.files as files using (file_id)
    where scratch.table_name = {table_name}
) as found
""",
        target=Sql(f"typed.{target}"),
        kept=Sql(kept),
        scratch=Sql(f"temp.{scratch}"),
        names=literals(column.name for column in table.columns),
        cells=column_names(table.columns),
        raw=qualified("raw", table),
        table_name=literal(table.name),
    )
