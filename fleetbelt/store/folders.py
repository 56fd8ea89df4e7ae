"""Folders of output that appear whole or not at all."""

import glob
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import mkdtemp

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
