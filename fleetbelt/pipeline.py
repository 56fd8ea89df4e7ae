"""READ ME FIRST: the whole way of the data, from CSV files to pages.

CSV -> ingest -> raw.*, typed.* -> staging.* -> [gauges] -> history.* -> [drift]
    -> marts.* -> results.* -> render -> HTML, Parquet, CSV. Never backwards.

SQL reduces, Python infers: a fit reads a frame that SQL made and writes ``fitted.*``
or a result table of its own grain; whatever is one row per record is SQL.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from fleetbelt import facts, ingest, steps
from fleetbelt.contract import CONTRACT_VERSION
from fleetbelt.render import NEEDED, render_pages
from fleetbelt.resources import bundled
from fleetbelt.settings import Settings, load_settings
from fleetbelt.store import checks, export, frames, sql_models
from fleetbelt.store.comments import say_what_the_contract_says
from fleetbelt.store.database import connect, transaction
from fleetbelt.store.folders import whole_folder

Say = Callable[[str], None]
_FILE_FACTS = (
    "file",
    "table_name",
    "rows_read",
    "rows_loaded",
    "rows_quarantined",
    "rows_duplicate",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a command did: where the database and the pages are, and the accounts.

    Attributes
    ----------
    database : Path
        The DuckDB file.
    pages : tuple of Path
        The pages written, the first to open first.
    files : tuple of ingest.FileReport
        The accounts of every file seen.
    """

    database: Path
    pages: tuple[Path, ...]
    files: tuple[ingest.FileReport, ...]

    def as_json(self) -> dict[str, Any]:
        """Return the contract's object for ``--json``."""
        return {
            "contract_version": CONTRACT_VERSION,
            "database": str(self.database),
            "pages": [str(page) for page in self.pages],
            "files": [
                {key: getattr(file, key) for key in _FILE_FACTS} for file in self.files
            ],
        }


def _silent(_text: str) -> None:
    """Say nothing."""


def run(
    folder: Path,
    out: Path,
    *,
    database: Path | None = None,
    as_of: date | None = None,
    accept_refusals: bool = False,
    say: Say = _silent,
) -> Outcome:
    """Do the whole job: load, reduce, fit, render.

    Parameters
    ----------
    folder : Path
        CSV files to the contract, and optionally ``fleetbelt.toml``.
    out : Path
        Folder for ``pages/`` and ``tables/``; made where it is missing.
    database : Path, optional
        The DuckDB file; ``out/fleet.duckdb`` when not given.
    as_of : date, optional
        The day on which 'now' stands; the newest record when not given.
    accept_refusals : bool
        Go on though a large part of a file is refused.
    say : callable
        Takes words for people, one line at a time.

    Returns
    -------
    Outcome
        Where everything is, and the accounts of the files.

    Raises
    ------
    InputError
        The files or the settings are wrong; nothing was changed.
    PlaceError
        The database or the folder cannot be used; nothing was changed.
    """
    folder, out = Path(folder), Path(out)
    settings = load_settings(folder)
    database = Path(database or out / "fleet.duckdb")
    out.mkdir(parents=True, exist_ok=True)
    with connect(database) as connection:
        report = _taken_in(connection, folder, settings, accept_refusals, say)
        with transaction(connection):
            compute(connection, settings, as_of, say)
        with whole_folder(out / "pages") as new:
            written = render_pages(frames.existing(connection, NEEDED), new)
        with whole_folder(out / "tables") as new:
            export.write_tables(connection, new)
    pages = tuple(out / "pages" / page.name for page in written)
    say(f"written   {len(pages)} pages, open {pages[0]}")
    return Outcome(database=database, pages=pages, files=report.files)


def _taken_in(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    settings: Settings,
    accept_refusals: bool,  # noqa: FBT001 (passed on as it came)
    say: Say,
) -> ingest.LoadReport:
    report = ingest.load(
        connection,
        folder,
        settings,
        now=datetime.now(UTC),
        accept_refusals=accept_refusals,
    )
    say(f"loaded    {report.sentence()}")
    for name in report.ignored_files:
        say(f"ignored   {name}: no table of the contract is called so")
    return report


def compute(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    as_of: date | None = None,
    say: Say = _silent,
) -> None:
    """Make every table after the typed ones anew: the way itself."""
    models = sql_models.discover(bundled("sql"))

    def build(*targets: str) -> None:
        sql_models.build(connection, models, *targets)

    def read(table: str) -> pl.DataFrame:
        return frames.read(connection, f"from {table}")

    def write(tables: Mapping[str, pl.DataFrame]) -> None:
        for name, frame in tables.items():
            frames.write(connection, name, frame)

    write({"typed.run_options": pl.DataFrame({"as_of": [as_of]}, {"as_of": pl.Date})})
    build("staging", "history.as_of", "history.gauge_uses")
    write(steps.gauges(read, settings))
    say("gauges    corrected by their calibrations")

    build("history")
    write(steps.drift(read, settings))
    say("drift     learned from what the belts were found with")

    checks.write_notes(connection, bundled("sql") / "checks")
    build("marts.tensions")
    write(steps.conformity(read, settings))
    build("results", "marts")
    write(steps.installs(read))
    write({"results.run_info": facts.run_info(read, settings)})
    say_what_the_contract_says(connection)
    say("verdicts  given, with how sure they are")


def load(
    folder: Path,
    database: Path,
    *,
    accept_refusals: bool = False,
    say: Say = _silent,
) -> Outcome:
    """Only take the files in; what is known already is not taken in again."""
    settings = load_settings(folder)
    with connect(database) as connection:
        report = _taken_in(connection, folder, settings, accept_refusals, say)
    return Outcome(database=database, pages=(), files=report.files)
