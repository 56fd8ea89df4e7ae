"""What the last run on this database said, for the next to tell what changed."""

import duckdb

KEPT = {
    "results.run_info": "key varchar, value varchar",
    "results.load_files": "file varchar, sha256 varchar, table_name varchar",
    "results.watchlist": (
        "belt_id varchar, vehicle_id varchar, depot varchar, reason varchar, "
        "p_under_now double, last_service_id varchar"
    ),
    "marts.settings_in_force": "belt_id varchar, last_service_id varchar",
}
"""Tables kept in schema ``previous``, and those of their columns that are read."""


def keep(connection: duckdb.DuckDBPyConnection, inputs: str) -> None:
    """Keep the results of the last run that had other inputs than this one.

    Called before any result is made anew. A run with the same inputs as the last
    (files, as-of date, settings, versions) gives the same results, so that what was
    kept stays and the run repeats exactly.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        A database, in a transaction.
    inputs : str
        The fingerprint of this run's inputs, as `facts.inputs` makes it.
    """
    found = connection.sql(
        "select schema_name || '.' || table_name from duckdb_tables()"
    ).fetchall()
    there = {name for (name,) in found}
    connection.execute("create schema if not exists previous")
    if "results.run_info" in there and _inputs(connection) == inputs:
        return
    for name, columns in KEPT.items():
        kept = f"previous.{name.split('.')[1]}"
        if name in there:
            names = ", ".join(column.split()[0] for column in columns.split(", "))
            query = f"select {names} from {name}"
            connection.execute(f"create or replace table {kept} as {query}")
        else:
            connection.execute(f"create or replace table {kept} ({columns})")


def _inputs(connection: duckdb.DuckDBPyConnection) -> str:
    """Return the fingerprint of the last run's inputs; empty where it had none."""
    query = "select value from results.run_info where key = 'inputs'"
    rows = connection.sql(query).fetchall()
    return str(rows[0][0]) if rows else ""
