"""One file from its private copy to rows: headings found, cells told apart."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final

from fleetbelt.errors import InputError
from fleetbelt.ingest.folder import Source
from fleetbelt.ingest.headings import (
    SEPARATORS,
    TITLE_LINES,
    Layout,
    is_heading_row,
    no_headings,
    read_headings,
    refuse_doubled,
)
from fleetbelt.ingest.records import Grammar, Malformed, Record, Shape, records
from fleetbelt.ingest.snapshot import Snapshot
from fleetbelt.settings import Settings

_HEAD_LINE_BYTES: Final = 2**16
_HEADING_LINES: Final = 5  # a heading cell may run over so many


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A file whose headings are known, ready to be read row by row.

    Attributes
    ----------
    source, snapshot : Source, Snapshot
        The file and its private copy.
    layout : Layout
        Which cell is which column.
    titles : tuple of str
        What stood above the headings.
    separator, sheet : str
        Between cells; of a workbook, the sheet read.
    rows : callable
        Starts the reading, row by row; blank rows are left out.
    """

    source: Source
    snapshot: Snapshot
    layout: Layout
    titles: tuple[str, ...] = ()
    separator: str = ""
    sheet: str = ""
    rows: Callable[[], Iterator[Record | Malformed]]


@dataclass(frozen=True, slots=True)
class HeadRow:
    """A row that may be the heading row."""

    line: int
    next_line: int
    cells: Sequence[str]


def open_csv(source: Source, snapshot: Snapshot, settings: Settings) -> Opened:
    """Find the heading row and the separator of a CSV file.

    Raises
    ------
    InputError
        No row among the first has the columns the table must have, or one of them
        stands twice.
    """
    if snapshot.n_bytes == 0:
        return _empty(source, snapshot)
    lines = _head(snapshot, source.mapping.skip_top)
    declared = source.mapping.separator
    allowed = (declared,) if declared else SEPARATORS
    heads = {mark: list(_head_rows(lines, Grammar(mark), source)) for mark in allowed}
    layout, separator = find_heading(heads, source)

    def rows() -> Iterator[Record | Malformed]:
        body = islice(snapshot.lines(), layout.next_line - 1, None)
        shape = shape_of(layout, source, settings)
        yield from records(body, Grammar(separator), shape, layout.next_line)

    return Opened(
        source=source,
        snapshot=snapshot,
        layout=layout,
        titles=titles_of(lines[: layout.line - 1]),
        separator=separator,
        rows=rows,
    )


def _empty(source: Source, snapshot: Snapshot) -> Opened:
    """Return a file of no bytes as one of no rows, where the table is not needed."""
    if source.table.is_required:
        raise InputError(
            what="The file is empty.",
            where=source.file,
            fix=f"export {source.table.name} again: nothing works without it.",
        )
    layout = Layout(
        line=1, next_line=1, headings=(), positions={}, extras={}, renamed={}
    )
    return Opened(
        source=source, snapshot=snapshot, layout=layout, rows=lambda: iter(())
    )


def shape_of(layout: Layout, source: Source, settings: Settings) -> Shape:
    """Return what a row of the file must look like."""
    return Shape(
        width=layout.width,
        max_cell_bytes=settings.intake.max_cell_bytes,
        total_words=tuple(
            word.strip().casefold() for word in source.mapping.skip_totals
        ),
    )


def _head(snapshot: Snapshot, skip_top: int) -> list[str]:
    """Return the first lines; one too long to be a heading is cut."""
    lines = islice(snapshot.lines(), skip_top + TITLE_LINES + _HEADING_LINES)
    return [
        line[:_HEAD_LINE_BYTES].removesuffix(b"\n").decode(errors="backslashreplace")
        for line in lines
    ]


def _head_rows(
    lines: Sequence[str], grammar: Grammar, source: Source
) -> Iterator[HeadRow]:
    """Yield the rows among which the headings are."""
    first = source.mapping.skip_top
    for at in range(first, min(first + TITLE_LINES, len(lines))):
        for end in range(at + 1, at + 1 + _HEADING_LINES):
            text = "\n".join(lines[at:end])
            cells, stop = grammar.cells(text)
            if stop is None:
                yield HeadRow(at + 1, end + 1, cells)
            if stop is None or not grammar.is_open(text, stop):
                break


def find_heading(heads: dict[str, list[HeadRow]], source: Source) -> tuple[Layout, str]:
    """Return the layout of the first heading row, and the separator that shows it."""
    candidates = [
        (read_headings(row.line, row.next_line, row.cells, source), mark, row)
        for mark, rows in heads.items()
        for row in rows
    ]
    fitting = (
        entry
        for entry in candidates
        if is_heading_row(entry[0], source.table, source.mapping)
    )
    found = min(fitting, key=lambda entry: entry[0].line, default=None)
    if found is None:
        raise no_headings([layout for layout, _, _ in candidates], source)
    layout, separator, row = found
    refuse_doubled(row.cells, layout, source)
    return layout, separator


def titles_of(lines: Iterable[str]) -> tuple[str, ...]:
    """Return what stands above the headings, without blank lines."""
    return tuple(line.strip() for line in lines if line.strip())
