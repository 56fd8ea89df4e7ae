"""Where the heading row is, what separates its cells, which column is which.

Nothing here is guessed: the heading row is the first one that has every column the
table must have, and the separator is the one that shows it.
"""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

from fleetbelt.contract import Table
from fleetbelt.errors import InputError
from fleetbelt.ingest.folder import Source
from fleetbelt.settings import FileMapping

SEPARATORS: Final = (",", ";", "\t", "|")
MOST_COLUMNS: Final = 500  # a row of more cells is no heading row
TITLE_LINES: Final = 20  # the heading row is among so many
_INVISIBLE: Final = re.compile("[\u200b-\u200f\u2060\ufeff\u00ad]")
_NO_LETTER: Final = re.compile(r"[\W_]+")


class HeadingsError(InputError):
    """No row among the first has the columns the table must have."""

    candidates: "tuple[Layout, ...]" = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How one file's cells lie.

    Attributes
    ----------
    line, next_line : int
        Physical line of the heading row, and of what follows it.
    headings : tuple of str
        One name a column: the contract's where it is one, else the file's own.
    positions : dict
        Column of the contract to its place in a row.
    extras : dict
        Any other heading to its place.
    renamed : dict
        Column of the contract to the file's own heading, where that differs.
    """

    line: int
    next_line: int
    headings: tuple[str, ...]
    positions: dict[str, int]
    extras: dict[str, int]
    renamed: dict[str, str]

    @property
    def width(self) -> int:
        """Cells of a row."""
        return len(self.headings)


def plain(heading: str) -> str:
    """Return a heading without case, blanks, marks and invisible signs."""
    visible = _INVISIBLE.sub("", heading).strip().casefold()
    return _NO_LETTER.sub("_", visible).strip("_") or visible


def missing_columns(table: Table, present: Iterable[str]) -> list[str]:
    """Return the columns the table must have and these do not give."""
    have = set(present)
    missing = []
    for column in table.columns:
        if not column.is_required or column.name in have:
            continue
        alternatives = [c.name for c in table.columns if c.one_of == column.one_of]
        if not column.one_of:
            missing.append(column.name)
        elif have.isdisjoint(alternatives):
            missing.append(" or ".join(alternatives))
    return list(dict.fromkeys(missing))


def read_headings(
    line: int, next_line: int, cells: Sequence[str], source: Source
) -> Layout:
    """Return the layout a row of headings gives."""
    ours = _mapped_names(source)
    cells = list(cells)
    while cells and not plain(cells[-1]):
        cells.pop()  # trailing separators
    names = [ours.get(plain(cell)) for cell in cells]
    positions = {name: at for at, name in enumerate(names) if name}
    own = [
        _INVISIBLE.sub("", cell).strip() or f"column {at}"
        for at, cell in enumerate(cells, start=1)
    ]
    extras: dict[str, int] = {}
    headings = []
    for at, name in enumerate(names):
        heading = name or _unlike(own[at], extras)
        if not name:
            extras[heading] = at
        headings.append(heading)
    return Layout(
        line=line,
        next_line=next_line,
        headings=tuple(headings),
        positions=positions,
        extras=extras,
        renamed={n: own[at] for n, at in positions.items() if n != plain(own[at])},
    )


def _unlike(heading: str, taken: dict[str, int]) -> str:
    name, n = heading, 1
    while name in taken:
        n += 1
        name = f"{heading} ({n})"
    return name


def _mapped_names(source: Source) -> dict[str, str]:
    """Return plain heading to column of the contract; the settings' names win."""
    known = {column.name: column.name for column in source.table.columns}
    mapped = {plain(theirs): ours for theirs, ours in source.mapping.headings.items()}
    used = {*mapped.values(), *source.mapping.constants}
    unknown = sorted(used - known.keys() - {""})
    if unknown:
        near = get_close_matches(unknown[0], known, n=1)
        raise InputError(
            what=f"The settings name '{unknown[0]}', no column of {source.table.name}.",
            where=f"fleetbelt.toml, file '{source.mapping.name}', for {source.file}",
            fix=f"write '{near[0]}'?" if near else "see `fleetbelt dictionary`.",
        )
    _refuse_unknown_words(source)
    return {plain(name): name for name in known} | mapped


def _refuse_unknown_words(source: Source) -> None:
    """Refuse settings that map a code word onto one the contract does not have."""
    for name, words in source.mapping.words.items():
        column = next((c for c in source.table.columns if c.name == name), None)
        allowed = column.words if column else ()
        wrong = sorted(set(words.values()) - set(allowed))
        if wrong or not allowed:
            raise InputError(
                what=f"The settings map words of {name} onto '{', '.join(wrong)}'.",
                where=f"fleetbelt.toml, file '{source.mapping.name}', "
                f"for {source.file}",
                fix=f"the words of {source.table.name}.{name} are: "
                f"{', '.join(allowed) or 'none'}.",
            )


def is_heading_row(layout: Layout, table: Table, mapping: FileMapping) -> bool:
    """Tell whether a row has every column the table must have, and not too many."""
    if layout.width > MOST_COLUMNS:
        return False
    return not missing_columns(table, {*layout.positions, *mapping.constants})


def refuse_doubled(cells: Sequence[str], layout: Layout, source: Source) -> None:
    """Refuse a file in which a column of the contract stands twice or is constant."""
    ours = _mapped_names(source)
    counts = Counter(ours.get(plain(cell), "") for cell in cells)
    doubled = [name for name, n in counts.items() if name and n > 1]
    if doubled:
        raise InputError(
            what=f"Headings stand more than once: {', '.join(doubled)}.",
            where=f"{source.file}, line {layout.line}",
            fix="keep one of each, or map them in fleetbelt.toml.",
        )
    both = sorted(layout.positions.keys() & source.mapping.constants.keys())
    if both:
        raise InputError(
            what=f"Columns are in the file and constant too: {', '.join(both)}.",
            where=f"{source.file}, line {layout.line}, and fleetbelt.toml",
            fix="take them out of `constants`.",
        )


def no_headings(candidates: Sequence[Layout], source: Source) -> HeadingsError:
    """Return the error for a file without a heading row, by its nearest row."""
    error = _no_headings(candidates, source)
    error.candidates = tuple(candidates)
    return error


def _no_headings(candidates: Sequence[Layout], source: Source) -> HeadingsError:
    table, mapping = source.table, source.mapping
    best = max(candidates, key=lambda row: len(row.positions), default=None)
    if best is None or not best.positions:
        return HeadingsError(
            what=f"There is no heading row of {table.name} among the first lines.",
            where=source.file,
            fix=f"the first row must name the columns: "
            f"{', '.join(missing_columns(table, ()))}; or map its headings in "
            "fleetbelt.toml (`fleetbelt check --suggest` writes one).",
        )
    if best.width > MOST_COLUMNS:
        return HeadingsError(
            what=f"The heading row has {best.width:,} cells, over {MOST_COLUMNS}.",
            where=f"{source.file}, line {best.line}",
            fix="export fewer columns, or check the separator.",
        )
    missing = missing_columns(table, {*best.positions, *mapping.constants})
    return HeadingsError(
        what=f"Columns are missing: {', '.join(missing)}.",
        where=f"{source.file}, line {best.line}, which has: {', '.join(best.headings)}",
        fix="add them, or map the headings that mean them in fleetbelt.toml "
        "(`fleetbelt check --suggest` writes one).",
    )
