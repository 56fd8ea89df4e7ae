"""Where disk, memory or rights do not suffice: one sentence, whoever noticed it."""

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
)
_COMMIT: Final = "Failed to commit"  # what the engine says on a full disk


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
        if isinstance(error, duckdb.TransactionException) and _COMMIT not in str(error):
            raise
        where = getattr(error, "filename", None) or place
        raise PlaceError(
            what=f"Disk, memory or rights do not suffice: {_in_a_line(error)}",
            where=printable(str(where)),
            fix=f"free some space or memory, or choose another place; {outcome}.",
        ) from error


def _in_a_line(error: Exception) -> str:
    if isinstance(error, MemoryError):
        return "the memory is used up."
    return str(error).partition("\n")[0]


def printable(file_name: str) -> str:
    """Return a file name as text to store and to show: odd signs become escapes."""
    odd = file_name.encode("utf-8", "surrogateescape")
    text = odd.decode("utf-8", "backslashreplace")
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode()
        for sign in text
    )
