"""The rules across rows, at intake: what breaks a quarantine rule is refused."""

from typing import Final

import duckdb

from fleetbelt.contract import INPUTS
from fleetbelt.ingest.set_aside import refuse
from fleetbelt.ingest.statements import Sql, compose, literal
from fleetbelt.resources import bundled
from fleetbelt.store.checks import discover

_BROKEN: Final = """
create or replace temp table broken (
    table_name varchar, file_id integer, line bigint, key varchar,
    column_name varchar, code varchar, detail varchar
)
"""


def refuse_by_rules(connection: duckdb.DuckDBPyConnection) -> None:
    """Refuse the accepted rows that break a rule of severity quarantine.

    All rules see the same rows; a row that breaks two has both codes.
    """
    connection.execute(_BROKEN)
    for rule in discover(bundled("sql") / "checks"):
        if rule.severity == "quarantine":
            connection.execute(compose("insert into broken {sql}", sql=Sql(rule.sql)))
    tables = connection.sql("select distinct table_name from broken").fetchall()
    for table in INPUTS:
        if (table.name,) in tables:
            refuse(connection, table, _found(table.name))
    connection.execute("drop table broken")


def _found(table_name: str) -> Sql:
    return compose(
        "select file_id, line, min_by(column_name, code) as column_name, "
        "string_agg(distinct code, '; ' order by code) as reason "
        "from broken where table_name = {table_name} group by file_id, line",
        table_name=literal(table_name),
    )
