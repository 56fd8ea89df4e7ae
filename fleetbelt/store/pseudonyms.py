"""Stable random labels in place of technicians' ids, in everything that is given out.

The labels are put in where the way begins (`staging.*`), so that models, texts and
tables never see an id. Texts from the files themselves (rows refused or replaced, file
names, settings) keep theirs in the database and are masked while outputs are written.
"""

import hmac
import json
import os
import re
import secrets
from base64 import b32encode
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import duckdb

from fleetbelt.errors import InputError, PlaceError
from fleetbelt.store.sql_models import drop

Mask = Callable[[str], str]
WITHHELD: Final = "withheld: technicians are pseudonymous; see the file and line"
_HOLDERS: Final = {
    "staging.services": "known.label as technician_id, null as note",
    "staging.calibrations": "known.label as technician_id",
}


def key_beside(database: Path) -> bytes:
    """Return the key of a database's labels: the same key, the same labels.

    Parameters
    ----------
    database : Path
        The key stands beside it, as ``fleet.pseudonyms.key`` for ``fleet.duckdb``; it
        is made, readable by its owner only, where it is missing.

    Returns
    -------
    bytes
        At least 32.

    Raises
    ------
    InputError
        The file holds no key.
    PlaceError
        The file can be read by others, or cannot be made or read.
    """
    path = database.with_suffix(".pseudonyms.key")
    try:
        if not path.exists():
            only_ours = os.O_WRONLY | os.O_CREAT | os.O_EXCL
            with os.fdopen(os.open(path, only_ours, 0o600), "w") as file:
                file.write(f"{secrets.token_hex(32)}\n")
        is_seen = os.name == "posix" and path.stat().st_mode & 0o077
        text = path.read_text("ascii", errors="replace").strip()
    except OSError as error:
        raise PlaceError(
            what=f"The key of the pseudonyms cannot be used: {error.strerror}.",
            where=str(path),
            fix="make the place readable and writable for yourself.",
        ) from error
    if is_seen:
        raise PlaceError(
            what="The key of the pseudonyms can be read by others.",
            where=str(path),
            fix=f"chmod 600 {path.name}, or delete it for new labels.",
        )
    if not re.fullmatch(r"[0-9a-f]{64,}", text) or len(text) % 2:
        raise InputError(
            what="The file holds no key of pseudonyms.",
            where=str(path),
            fix="put the key back, or delete the file for new labels.",
        )
    return bytes.fromhex(text)


def label(key: bytes, technician_id: str) -> str:
    """Return the label of an id: keyed HMAC-SHA-256, 40 bits of it."""
    digest = hmac.digest(key, technician_id.encode(), "sha256")
    return f"P{b32encode(digest)[:8].decode()}"


def put_in(connection: duckdb.DuckDBPyConnection, key: bytes) -> None:
    """Replace every technician's id in staging, and drop what people wrote freely."""
    ids = _technicians(connection)
    labels = [label(key, technician_id) for technician_id in ids]
    for table, labelled in _HOLDERS.items():
        connection.execute(
            f"create or replace table staging.labelled as select held.* replace ("
            f"{labelled}) from {table} as held left join (select unnest(?) as "
            "technician_id, unnest(?) as label) as known using (technician_id)",
            [ids, labels],
        )
        drop(connection, table)
        connection.execute(
            f"alter table staging.labelled rename to {table.partition('.')[2]}"
        )


@contextmanager
def masked(connection: duckdb.DuckDBPyConnection, key: bytes | None) -> Iterator[None]:
    """Mask texts from the files while outputs are written; the database keeps them.

    Without a key nothing is masked.
    """
    if key is None:
        yield
        return
    connection.execute("begin transaction")
    try:
        for table, column in _columns(connection, "raw|example_raw"):
            connection.execute(f"update {table} set {column} = ?", [WITHHELD])
        mask = _mask_of_ids(connection, key)
        _mask_names(connection, mask)
        _mask_settings(connection, mask)
        yield
    finally:
        connection.execute("rollback")


def _technicians(connection: duckdb.DuckDBPyConnection) -> list[str]:
    found = " union ".join(f"select technician_id from {table}" for table in _HOLDERS)
    return _texts(connection, f"select technician_id from ({found})")


def _texts(connection: duckdb.DuckDBPyConnection, query: str) -> list[str]:
    """Return the texts that a query of one column finds, each once, in order."""
    return sorted({text for (text,) in connection.sql(query).fetchall() if text})


def _mask_names(connection: duckdb.DuckDBPyConnection, mask: Mask) -> None:
    """Replace ids in the names of files and in headings that were kept aside."""
    for table, column in _columns(connection, "file|by_file|unknown_columns"):
        for name in _texts(connection, f"select {column} from {table}"):
            connection.execute(
                f"update {table} set {column} = ? where {column} = ?",
                [mask(name), name],
            )


def _mask_of_ids(connection: duckdb.DuckDBPyConnection, key: bytes) -> Mask:
    """Return what puts labels for the ids that stand as words in a text."""
    ids = _texts(
        connection,
        "select technician_id from raw.services "
        "union select technician_id from raw.calibrations",
    )
    known = {name.casefold(): name for name in ids}
    longest_first = "|".join(map(re.escape, sorted(ids, key=len, reverse=True)))
    word = re.compile(
        rf"(?<![0-9A-Za-z])({longest_first or '(?!)'})(?![0-9A-Za-z])", re.IGNORECASE
    )

    def labelled(found: re.Match[str]) -> str:
        return label(key, known.get(found[0].casefold(), found[0]))

    return lambda text: word.sub(labelled, text)


def _columns(
    connection: duckdb.DuckDBPyConnection, pattern: str
) -> list[tuple[str, str]]:
    """Return table and name of the columns that are given out under such a name."""
    return connection.execute(
        "select schema_name || '.' || table_name, column_name from duckdb_columns() "
        "where schema_name in ('marts', 'results', 'pages', 'previous') "
        "and regexp_full_match(column_name, ?)",
        [pattern],
    ).fetchall()


def _mask_settings(connection: duckdb.DuckDBPyConnection, mask: Mask) -> None:
    """Leave out of the settings told whose records a file holds."""
    for table, _ in _columns(connection, "value"):
        if not table.endswith(".run_info"):
            continue
        told = f"{table} where key = 'settings'"
        for text in _texts(connection, f"select value from {told}"):
            settings: dict[str, Any] = json.loads(text)
            for mapping in settings["files"]:
                mapping["constants"].pop("technician_id", None)
                mapping["name"] = mask(mapping["name"])
            connection.execute(
                f"update {table} set value = ? where key = 'settings'",
                [json.dumps(settings, sort_keys=True)],
            )
