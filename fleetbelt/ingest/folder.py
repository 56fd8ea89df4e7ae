"""Which files of a data folder feed which table."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fleetbelt.contract import INPUTS, Table, input_table
from fleetbelt.errors import InputError, PlaceError
from fleetbelt.settings import SETTINGS_FILE, FileMapping, Settings
from fleetbelt.store.places import printable

_OURS: Final = {
    table.name: re.compile(
        rf"{table.name}(_.*)?\.(csv|csv\.gz|xlsx)", re.IGNORECASE | re.DOTALL
    )
    for table in INPUTS
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One file of the folder, the table it feeds and how it is to be read."""

    path: Path
    file: str  # its name, printable
    table: Table
    mapping: FileMapping


@dataclass(frozen=True, slots=True, kw_only=True)
class Folder:
    """What a data folder holds."""

    sources: tuple[Source, ...]
    ignored: tuple[str, ...]


def look_into(folder: Path, settings: Settings) -> Folder:
    """Return the files that feed tables, by name, and the names of all others.

    Raises
    ------
    InputError
        The folder does not exist or is a file.
    PlaceError
        The folder cannot be listed.
    """
    try:
        entries = sorted(folder.iterdir(), key=lambda path: path.name)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise InputError(
            what="There is no such data folder.",
            where=printable(str(folder)),
            fix="name a folder of CSV files.",
        ) from error
    except OSError as error:
        raise PlaceError(
            what=f"The data folder cannot be listed: {error.strerror}.",
            where=printable(str(folder)),
            fix="make it readable.",
        ) from error
    shown = [p for p in entries if not p.name.startswith(".")]
    sources, ignored = [], []
    for path in shown:
        mapping = settings.mapping_of(path.name)
        table_name = mapping.table or _table_of(path.name)
        if table_name:
            sources.append(
                Source(
                    path=path,
                    file=printable(path.name),
                    table=input_table(table_name),
                    mapping=mapping,
                )
            )
        elif path.name != SETTINGS_FILE:
            ignored.append(printable(path.name) + ("/" if path.is_dir() else ""))
    return Folder(sources=tuple(sources), ignored=tuple(ignored))


def _table_of(file_name: str) -> str:
    return next((t for t, form in _OURS.items() if form.fullmatch(file_name)), "")
