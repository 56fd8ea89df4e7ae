"""Take files in, take them back, say how they are understood; and what came of it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb

from fleetbelt import ingest
from fleetbelt.contract import CONTRACT_VERSION
from fleetbelt.errors import InputError
from fleetbelt.settings import SETTINGS_FILE, Settings, load_settings
from fleetbelt.store import frames
from fleetbelt.store.database import MEMORY, connect

Say = Callable[[str], None]
_HEADINGS_SHOWN = 8
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
    headlines : tuple of str
        The sentences of the first page, where pages were written.
    """

    database: Path
    pages: tuple[Path, ...]
    files: tuple[ingest.FileReport, ...]
    headlines: tuple[str, ...] = ()

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


def silent(_text: str) -> None:
    """Say nothing."""


def take_in(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    settings: Settings,
    *,
    accept_refusals: bool,
    say: Say,
) -> ingest.LoadReport:
    """Load a folder into an open database, and say what came of it."""
    report = ingest.load(
        connection,
        folder,
        settings,
        now=datetime.now(UTC),
        accept_refusals=accept_refusals,
    )
    say(f"loaded    {report.sentence()}")
    for name in report.read_anew:
        say(f"anew      {name}: the settings now say to read it otherwise")
    for file in report.files:
        if file.unknown_columns and not file.is_known:
            say(f"aside     {file.file}: {_kept_aside(file.unknown_columns)}")
        if file.rows_left_out:
            say(
                f"older     {file.file}: {file.rows_left_out:,} rows of files loaded "
                "under this name before are not in it and still count; `fleetbelt "
                "unload` takes such a file back, its hash is in tables/load_files.csv"
            )
    for name in report.ignored_files:
        say(f"ignored   {name}: no table of the contract is called so")
    return report


def _kept_aside(headings: Sequence[str]) -> str:
    """Say which headings of a file are no columns of its table."""
    shown = ", ".join(f"'{heading}'" for heading in headings[:_HEADINGS_SHOWN])
    n_more = len(headings) - _HEADINGS_SHOWN
    more = f" and {n_more} more" if n_more > 0 else ""
    return f"{shown}{more} not used; `fleetbelt check --suggest` helps to map them"


def load(
    folder: Path,
    database: Path,
    *,
    accept_refusals: bool = False,
    memory: str = MEMORY,
    say: Say = silent,
) -> Outcome:
    """Only take the files in; what is known already is not taken in again."""
    settings = load_settings(folder)
    with connect(database, memory=memory) as connection:
        report = take_in(
            connection, folder, settings, accept_refusals=accept_refusals, say=say
        )
    return Outcome(database=database, pages=(), files=report.files)


def unload(database: Path, sha256: str) -> str:
    """Take one file's rows back; return what to do next, in words."""
    if not database.exists():
        raise InputError(
            what="There is no such database.",
            where=str(database),
            fix="name the one that `fleetbelt load` or `run` wrote.",
        )
    with connect(database) as connection:
        ingest.unload(connection, sha256, _settings_of(connection))
    return "taken back; `fleetbelt run` makes the results anew"


def _settings_of(connection: duckdb.DuckDBPyConnection) -> Settings:
    """Return the settings of the last run on a database, else the contract's own."""
    facts = frames.existing(connection, ["results.run_info"])
    if "results.run_info" not in facts:
        return Settings()
    (text,) = facts["results.run_info"].filter(key="settings")["value"]
    return Settings.model_validate_json(text)


def check(folder: Path, *, suggest: bool = False) -> str:
    """Say how each file was understood; write nothing, or a settings file to edit.

    Raises
    ------
    InputError
        Settings were asked for, and the folder has them already.
    """
    settings = load_settings(folder)
    report = ingest.check(folder, settings, today=datetime.now(UTC).date())
    if not suggest:
        return report.text()
    path = folder / SETTINGS_FILE
    if path.exists():
        raise InputError(
            what="The folder has settings already; they were left as they are.",
            where=str(path),
            fix="move the file away first, or edit it.",
        )
    path.write_text(ingest.suggest_settings(report), encoding="utf-8")
    return f"{path}"
