"""What a table and a column of the contract are, and how to write one down."""

from dataclasses import dataclass
from typing import Literal

Type = Literal["text", "date", "integer", "real", "boolean", "timestamp"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: its type, its meaning with unit, and what a cell may hold.

    Attributes
    ----------
    name, type, meaning : str
        ``type`` is one of the contract's types, not an engine's.
    is_required : bool
        An empty cell is refused.
    words : tuple of str
        The only code words allowed; empty when the text is free.
    above, least : float or None
        The number must be greater than ``above``, at least ``least``.
    one_of : str
        Name of the distance this column gives in its unit; exactly one column of
        that distance may be filled (and must be, where required).
    """

    name: str
    type: Type
    meaning: str
    is_required: bool = False
    words: tuple[str, ...] = ()
    above: float | None = None
    least: float | None = None
    one_of: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of the contract, taken in or given out."""

    name: str
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    is_required: bool = False

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError where there is none."""
        return next((c for c in self.columns if c.name == name), None) or _no(name)


def _no(name: str) -> Column:
    raise KeyError(name)


def _column(
    name: str,
    kind: Type,
    meaning: str,
    *,
    words: str = "",
    above: float | None = None,
    least: float | None = None,
) -> Column:
    """Make a column; a trailing ``!`` on the name marks it as required."""
    return Column(
        name=name.rstrip("!"),
        type=kind,
        meaning=meaning,
        is_required=name.endswith("!"),
        words=tuple(words.split()),
        above=above,
        least=least,
    )


def text(name: str, meaning: str = "", words: str = "") -> Column:
    """Make a text column."""
    return _column(name, "text", meaning, words=words)


def date(name: str, meaning: str = "") -> Column:
    """Make a date column."""
    return _column(name, "date", meaning)


def integer(name: str, meaning: str, least: float | None = None) -> Column:
    """Make a column of whole numbers."""
    return _column(name, "integer", meaning, least=least)


def real(
    name: str, meaning: str, above: float | None = None, least: float | None = None
) -> Column:
    """Make a column of numbers."""
    return _column(name, "real", meaning, above=above, least=least)


def distance(
    stem: str, units: tuple[str, str], meaning: str, *, zero: bool = True
) -> tuple[Column, Column]:
    """Make the two columns that give one distance, each in its own unit."""
    name = stem.rstrip("!")
    first, second = (
        Column(
            name=f"{name}_{unit}",
            type="real",
            meaning=f"{meaning}, {unit}",
            is_required=stem.endswith("!"),
            above=None if zero else 0.0,
            least=0.0 if zero else None,
            one_of=name,
        )
        for unit in units
    )
    return first, second


def boolean(name: str, meaning: str) -> Column:
    """Make a column of true and false."""
    return _column(name, "boolean", meaning)


def timestamp(name: str, meaning: str) -> Column:
    """Make a column of times in UTC."""
    return _column(name, "timestamp", meaning)
