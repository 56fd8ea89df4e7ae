"""What a later export of one name leaves out: its older rows stay, and that is said."""

import duckdb

from fleetbelt.contract import Table
from fleetbelt.ingest.ledger import form_of
from fleetbelt.ingest.statements import compose, joined, qualified, whole
from fleetbelt.ingest.versions import key_columns
from fleetbelt.ingest.views import typed_rows


def rows_left_out(
    connection: duckdb.DuckDBPyConnection, table: Table, file_id: int
) -> int:
    """Return how many rows of older files of a file's name stand and are not in it.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        With schema typed settled.
    table : Table
        The table the file feeds.
    file_id : int
        The file. Its refused rows count as in it.

    Returns
    -------
    int
        By key, repeats of one calibration as one; 0 where there is no older file.
    """
    older = connection.execute(
        "select older.file_id from raw.files as older, raw.files as newer "
        "where newer.file_id = $id and older.file_id < newer.file_id "
        "and older.file = newer.file and older.table_name = newer.table_name",
        {"id": file_id},
    ).fetchall()
    if not older:
        return 0
    ((understood,),) = connection.execute(
        "select understood from raw.files where file_id = ?", [file_id]
    ).fetchall()
    parts, names = key_columns(table)
    query = compose(
        "select count(*) from (select {parts} from {typed} where file_id in ({ids})) "
        "anti join (select {parts} from ({newer})) using ({names})",
        parts=parts,
        typed=qualified("typed", table),
        ids=whole([n for (n,) in older]),
        newer=typed_rows(table, [(form_of(understood), [file_id])]),
        names=joined(", ", names),
    )
    ((n_rows,),) = connection.execute(query).fetchall()
    return int(n_rows)
