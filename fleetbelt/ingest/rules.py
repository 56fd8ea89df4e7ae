"""The rules across rows, at intake: what breaks a quarantine rule is refused."""

import duckdb

from fleetbelt.contract import INPUTS
from fleetbelt.ingest.statements import Sql, compose, qualified
from fleetbelt.resources import bundled
from fleetbelt.store.checks import discover


def apply_rules(connection: duckdb.DuckDBPyConnection) -> None:
    """Refuse the accepted rows that break a rule of severity quarantine.

    All rules see the same rows; a row that breaks two has both codes. Adds to the
    temporary table ``refused``.
    """
    connection.execute(
        "create or replace temp table broken (table_name varchar, file_id integer, "
        "line bigint, key varchar, column_name varchar, code varchar, detail varchar)"
    )
    for rule in discover(bundled("sql") / "checks"):
        if rule.severity == "quarantine":
            connection.execute(compose("insert into broken {sql}", sql=Sql(rule.sql)))
    connection.execute(
        """
        insert into refused
        select
            file_id, line, table_name, min_by(column_name, code),
            string_agg(distinct code, '; ' order by code)
        from broken
        group by file_id, line, table_name
        """
    )
    for table in INPUTS:
        connection.execute(
            compose(
                "delete from {table} as t using broken where "
                "t.file_id = broken.file_id and t.line = broken.line "
                "and broken.table_name = $table_name",
                table=qualified("typed", table),
            ),
            {"table_name": table.name},
        )
    connection.execute("drop table broken")
