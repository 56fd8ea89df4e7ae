"""What a run gives out beside the database: folders of pages and of tables."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

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
    old_pages = told_if_it_stands(pages, f"{state} {pack}")
    old_tables = told_if_it_stands(tables, state)
    masks = masked(connection, None if old_pages and old_tables else key)
    with masks, ThreadPoolExecutor(1) as engine:  # it serves one at a time
        shown = engine.submit(lambda: {} if old_pages else _read_pages(connection))
        written = engine.submit(
            lambda: old_tables or _write_tables(connection, tables, state)
        )
        paged = old_pages or _write_pages(
            shown.result(), pages, f"{state} {pack}", pack=pack
        )
        tabled = written.result()
    if tabled["plan"]:
        say(f"plan      to take away: {', '.join(tabled['plan'])} in {tables}")
    say(f"pages     {len(paged['pages'])} written")
    return tuple(pages / name for name in paged["pages"]), tuple(paged["headlines"])


def _read_pages(connection: duckdb.DuckDBPyConnection) -> dict[str, pl.DataFrame]:
    from fleetbelt.render import NEEDED  # noqa: PLC0415 -- not where pages stand

    return frames.existing(connection, NEEDED)


def _write_pages(
    results: dict[str, pl.DataFrame], folder: Path, state: str, *, pack: bool
) -> Told:
    from fleetbelt.render import (  # noqa: PLC0415 -- not where pages stand
        headlines,
        render_pages,
    )

    with whole_folder(folder) as new:
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
