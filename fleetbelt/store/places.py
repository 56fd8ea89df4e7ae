"""Where disk, memory or rights do not suffice: one sentence, whoever noticed it."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import duckdb

from fleetbelt.errors import PlaceError

ENGINE_PLACE_ERRORS: Final = (
    duckdb.IOException,
    duckdb.OutOfMemoryException,
    duckdb.TransactionException,
    duckdb.FatalException,
)
_ENGINE_WORDS: Final = re.compile(r"^\w[\w ]* Error: (?:Failed to .+? error: )?")
_FULL_DISK: Final = ("Failed to commit", "Failed to create checkpoint")


@contextmanager
def place_errors(place: Path, outcome: str = "nothing was changed") -> Iterator[None]:
    """Say in one sentence where disk, memory or rights did not suffice.

    Parameters
    ----------
    place : Path
        Where it happened, unless the error itself says.
    outcome : str
        What stands now.

    Raises
    ------
    PlaceError
        In place of the system's and the engine's own errors.
    """
    try:
        yield
    except RuntimeError as error:  # what the engine makes of Ctrl-C during a query
        if str(error) == "Query interrupted":
            raise KeyboardInterrupt from error
        raise
    except (OSError, MemoryError, *ENGINE_PLACE_ERRORS) as error:
        if not _is_of_the_place(error):
            raise
        where = getattr(error, "filename", None) or place
        raise PlaceError(
            what=f"Disk, memory or rights do not suffice: {_in_a_line(error)}",
            where=printable(str(where)),
            fix="free some space, let it use more with --memory, or choose another "
            f"place; {outcome}.",
        ) from error


def _is_of_the_place(error: Exception) -> bool:
    """Tell a full disk from the engine's other failures of these kinds."""
    if isinstance(error, duckdb.TransactionException | duckdb.FatalException):
        return any(words in str(error) for words in _FULL_DISK)
    return True


def _in_a_line(error: Exception) -> str:
    if isinstance(error, MemoryError):
        return "the memory is used up."
    return _ENGINE_WORDS.sub("", str(error).partition("\n")[0])


def printable(file_name: str) -> str:
    """Return a file name as text to store and to show: odd signs become escapes."""
    odd = file_name.encode("utf-8", "surrogateescape")
    text = odd.decode("utf-8", "backslashreplace")
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode()
        for sign in text
    )
