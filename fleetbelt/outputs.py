"""What a run gives out beside the database: folders of pages and of tables."""

from pathlib import Path
from typing import Any

import duckdb

from fleetbelt.intake import Say
from fleetbelt.store import export, frames
from fleetbelt.store.folders import put_stamp, told_if_it_stands, whole_folder
from fleetbelt.store.pseudonyms import masked

Told = dict[str, Any]


def give_out(
    connection: duckdb.DuckDBPyConnection,
    out: Path,
    state: str,
    *,
    key: bytes | None,
    pack: bool,
    say: Say,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write pages and tables, or leave those that stand as they were written.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        To a database with the results of ``state``.
    out : Path
        Gets the folders ``pages`` and ``tables``.
    state : str
        Fingerprint of what the results rest on.
    key : bytes or None
        Of the technicians' labels, where they have some.
    pack : bool
        Compress inside the pages.
    say : callable
        Takes words for people.

    Returns
    -------
    pages : tuple of Path
        The first to open first.
    headlines : tuple of str
        The sentences of the first page.
    """
    pages, tables = out / "pages", out / "tables"
    paged = told_if_it_stands(pages, f"{state} {pack}")
    tabled = told_if_it_stands(tables, state)
    with masked(connection, key if paged is None or tabled is None else None):
        if paged is None:
            paged = _write_pages(connection, pages, f"{state} {pack}", pack=pack)
        if tabled is None:
            tabled = _write_tables(connection, tables, state)
    if tabled["plan"]:
        say(f"plan      to take away: {', '.join(tabled['plan'])} in {tables}")
    say(f"pages     {len(paged['pages'])} written")
    return tuple(pages / name for name in paged["pages"]), tuple(paged["headlines"])


def _write_pages(
    connection: duckdb.DuckDBPyConnection, folder: Path, state: str, *, pack: bool
) -> Told:
    from fleetbelt.render import (  # noqa: PLC0415 -- not where pages stand
        NEEDED,
        headlines,
        render_pages,
    )

    with whole_folder(folder) as new:
        results = frames.existing(connection, NEEDED)
        written = render_pages(results, new, pack=pack)
        told = {
            "pages": [page.name for page in written],
            "headlines": headlines(results),
        }
        put_stamp(new, state, told)
    return told


def _write_tables(
    connection: duckdb.DuckDBPyConnection, folder: Path, state: str
) -> Told:
    from fleetbelt import takeaway  # noqa: PLC0415 -- not where tables stand

    with whole_folder(folder) as new:
        export.write_tables(connection, new)
        results = frames.existing(connection, takeaway.NEEDED)
        taken = takeaway.write_work_plan(results, new)
        told = {"plan": [path.name for path in taken]}
        put_stamp(new, state, told)
    return told
