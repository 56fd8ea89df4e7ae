"""Private folders for copies; what a killed run left of them goes at the next start."""

import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Final

if sys.platform != "win32":
    import fcntl

_PREFIX: Final = "fleetbelt-"
_HELD: Final = "held"


@contextmanager
def workplace() -> Iterator[Path]:
    """Yield a folder of one's own for copies of records; it goes at the end.

    A process that is killed cannot see to that, so those of such ones go first.

    Yields
    ------
    Path
        Readable by its owner only.
    """
    _clear()
    with TemporaryDirectory(prefix=_PREFIX) as name:
        place = Path(name)
        with _held(place):
            yield place


@contextmanager
def _held(place: Path) -> Iterator[None]:
    """Hold a lock in a folder, which goes with the process however that ends."""
    if sys.platform == "win32":
        yield
        return
    with (place / f"{_HELD}.new").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        (place / f"{_HELD}.new").rename(place / _HELD)
        yield


def _clear() -> None:
    """Remove the folders of ours that nobody holds."""
    if sys.platform == "win32":
        return
    for place in Path(gettempdir()).glob(f"{_PREFIX}*"):
        with suppress(OSError):  # it has no lock, or that is held: somebody works there
            if place.is_symlink() or place.stat().st_uid != os.getuid():
                continue
            with (place / _HELD).open() as lock:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(place, ignore_errors=True)
