"""Folders of output that appear whole or not at all, and know when they stand."""

import glob
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from fleetbelt.errors import InputError, PlaceError

MARK = ".fleetbelt"


def refuse_others(folder: Path) -> None:
    """Refuse a folder with files that fleetbelt did not write.

    Raises
    ------
    InputError
        It is a file, or not empty and not one of ours.
    """
    is_ours = not folder.exists() or (folder / MARK).exists()
    if is_ours or (folder.is_dir() and not any(folder.iterdir())):
        return
    raise InputError(
        what="The output folder holds files that are not fleetbelt's.",
        where=str(folder),
        fix="name another folder with --out, or move its files away.",
    )


@contextmanager
def made_folder(folder: Path) -> Iterator[None]:
    """Make a folder if it is missing; on any error one left empty goes again.

    Raises
    ------
    PlaceError
        There is a file of that name.
    """
    is_new = not folder.exists()
    if folder.is_file():
        raise PlaceError(
            what="The output folder is a file.",
            where=str(folder),
            fix="name another folder with --out.",
        )
    folder.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        if is_new:
            with suppress(OSError):  # it holds something by now: it stays
                folder.rmdir()
        raise


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Yield a new folder to fill; it takes the place of ``folder`` at the end.

    Parameters
    ----------
    folder : Path
        Replaced as a whole where it is one of ours, and left alone on any error.

    Yields
    ------
    Path
        An empty folder beside it.

    Raises
    ------
    InputError
        ``folder`` holds files that fleetbelt did not write.
    """
    refuse_others(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    _remove_left_over(folder)
    new = Path(mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        (new / MARK).touch()
        yield new
        _open_as(folder.parent, new)
        _swap(new, folder)
    finally:
        shutil.rmtree(new, ignore_errors=True)


def put_stamp(folder: Path, state: str, told: dict[str, Any]) -> None:
    """Write down what a folder was made from, and what its files are.

    Parameters
    ----------
    folder : Path
        Filled, inside `whole_folder`.
    state : str
        Fingerprint of all that decides what is in it.
    told : dict of str
        What whoever made it wants to know when it stands; as JSON.
    """
    stamp = {"state": state, "files": _sizes_and_times(folder), "told": told}
    (folder / MARK).write_text(json.dumps(stamp), encoding="utf-8")


def told_if_it_stands(folder: Path, state: str) -> dict[str, Any] | None:
    """Return what a folder's stamp tells; None unless it stands as it was made.

    A file that is missing, more, of another size or touched since makes it not stand,
    and so does another state.
    """
    try:
        stamp = json.loads((folder / MARK).read_text(encoding="utf-8"))
        stands = (stamp["state"], stamp["files"]) == (state, _sizes_and_times(folder))
    except (OSError, ValueError, KeyError, TypeError):
        return None  # made by nobody, by an older version, or spoilt: made anew
    return stamp["told"] if stands else None


def _sizes_and_times(folder: Path) -> list[list[str | int]]:
    return [
        [path.relative_to(folder).as_posix(), found.st_size, found.st_mtime_ns]
        for path in sorted(folder.rglob("*"))
        if path.name != MARK and path.is_file()
        for found in [path.stat()]
    ]


def _open_as(parent: Path, new: Path) -> None:
    """Let those read the new files who may read the folder they stand in."""
    readers = parent.stat().st_mode & 0o044
    for path in (new, *new.rglob("*")):
        mode = path.stat().st_mode | readers
        path.chmod(mode | readers >> 2 if path.is_dir() else mode)


def _remove_left_over(folder: Path) -> None:
    """Remove what a run that was killed had begun."""
    for path in folder.parent.glob(f".{glob.escape(folder.name)}-*"):
        if (path / MARK).exists():
            shutil.rmtree(path, ignore_errors=True)


def _swap(new: Path, folder: Path) -> None:
    """Put the new folder in place; the old one goes once the new one stands."""
    if not folder.exists():
        new.rename(folder)
        return
    old = Path(mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    folder.replace(old)
    new.rename(folder)
    shutil.rmtree(old, ignore_errors=True)
