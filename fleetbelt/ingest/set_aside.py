"""Set rows aside, each with its cells as one line of CSV in the order of its file."""

from typing import Final

import duckdb

from fleetbelt.contract import Table
from fleetbelt.ingest.statements import (
    Sql,
    column_names,
    compose,
    literal,
    literals,
    qualified,
)

_WITH_RAW: Final = """
insert into {target}
select file_id, line, {table_name}, {kept}, array_to_string(
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
        found.*,
        files.understood,
        map_concat(
            map([{names}], [{cells}]),
            coalesce(from_json(extra, '"MAP(VARCHAR, VARCHAR)"'), map())
        ) as cells
    from ({found}) as found
    join {raw} as raw using (file_id, line)
    join raw.files as files using (file_id)
)
"""


def refuse(connection: duckdb.DuckDBPyConnection, table: Table, found: Sql) -> None:
    """Refuse rows of a table.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Inside a transaction.
    table : Table
        The table they were meant for.
    found : Sql
        A query for file_id, line, column_name, reason.
    """
    kept = Sql("column_name, reason")
    connection.execute(_with_raw(table, Sql("typed.refusals"), found, kept))


def supersede(connection: duckdb.DuckDBPyConnection, table: Table, found: Sql) -> None:
    """Note rows as replaced; ``found`` gives file_id, line, key, by_file_id."""
    kept = Sql("key, by_file_id")
    connection.execute(_with_raw(table, Sql("typed.replaced"), found, kept))


def _with_raw(table: Table, target: Sql, found: Sql, kept: Sql) -> Sql:
    return compose(
        _WITH_RAW,
        target=target,
        table_name=literal(table.name),
        kept=kept,
        names=literals(column.name for column in table.columns),
        cells=column_names(table.columns),
        found=found,
        raw=qualified("raw", table),
    )


def refuse_malformed(connection: duckdb.DuckDBPyConnection) -> None:
    """Refuse the lines that are no record; their text is as it stood."""
    connection.execute(
        "insert into typed.refusals "
        "select file_id, line, table_name, null, reason, raw "
        "from raw.malformed join raw.files using (file_id)"
    )
