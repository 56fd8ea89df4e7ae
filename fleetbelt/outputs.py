"""What a run gives out beside the database: folders of pages and of tables."""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from fleetbelt.intake import Say
from fleetbelt.store import export, frames
from fleetbelt.store.database import is_roomy
from fleetbelt.store.folders import put_stamp, told_if_it_stands, whole_folder
from fleetbelt.store.pseudonyms import masked
from fleetbelt.store.side_by_side import GiveOut

Told = dict[str, Any]


@contextmanager
def new_tables(out: Path, state: str) -> Iterator[Path | None]:
    """Yield a folder that becomes ``out/tables`` at the end; None where that stands."""
    folder = out / "tables"
    if told_if_it_stands(folder, state):
        yield None
    else:
        with whole_folder(folder) as new:
            yield new


def early(connection: duckdb.DuckDBPyConnection, folder: Path) -> GiveOut:
    """Return what writes a result table as soon as it is made."""

    def give(model: str) -> Callable[[], None] | None:
        schema, _, table = model.partition(".")
        if schema != "results":
            return None
        parquet = export.write_parquet(connection, table, folder)
        return partial(export.write_csv, parquet)

    return give


def give_out(  # noqa: PLR0913 -- what a run asks for
    connection: duckdb.DuckDBPyConnection,
    out: Path,
    state: str,
    *,
    new: Path | None,
    key: bytes | None,
    pack: bool,
    say: Say,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write pages and tables, or leave those that stand as they were written.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        To a database with the results of ``state``; may be closed at the end.
    out : Path
        Gets the folders ``pages`` and ``tables``.
    state : str
        Fingerprint of what the results rest on.
    new : Path or None
        What `new_tables` yielded; may hold some tables already.
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

    def shown() -> dict[str, pl.DataFrame]:
        return {} if old_pages else _read_pages(connection)

    def paged(results: dict[str, pl.DataFrame]) -> Told:
        return old_pages or _write_pages(results, pages, f"{state} {pack}", pack=pack)

    def tabled() -> Told:
        if new:
            return _write_tables(connection, new, state)
        return told_if_it_stands(tables, state) or {"plan": []}

    masks = masked(connection, None if old_pages and not new else key)
    if is_roomy(connection):
        with masks, ThreadPoolExecutor(1) as engine:  # it serves one at a time
            results, written = engine.submit(shown), engine.submit(tabled)
            told_pages, told_tables = paged(results.result()), written.result()
    else:
        with masks:
            told_tables, read = tabled(), shown()
        connection.close()  # the memory that it holds is for the pages
        told_pages = paged(read)
    if told_tables["plan"]:
        say(f"plan      to take away: {', '.join(told_tables['plan'])} in {tables}")
    say(f"pages     {len(told_pages['pages'])} written")
    written_pages = tuple(pages / name for name in told_pages["pages"])
    return written_pages, tuple(told_pages["headlines"])


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


def _write_tables(connection: duckdb.DuckDBPyConnection, new: Path, state: str) -> Told:
    from fleetbelt import takeaway  # noqa: PLC0415 -- not where tables stand

    export.write_tables(connection, new)
    results = frames.existing(connection, takeaway.NEEDED)
    taken = takeaway.write_work_plan(results, new)
    told = {"plan": [path.name for path in taken]}
    put_stamp(new, state, told)
    return told
