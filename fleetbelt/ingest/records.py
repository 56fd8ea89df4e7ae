"""The careful reader: lines to records, finding its feet again after every bad line.

It reads small files, and any file the engine's own reader is not proven to have read
whole (see `raw_tables`). The grammar is the usual one: cells between separators; a cell
that starts with a quotation mark ends with one, and inside it newlines and separators
are text and a doubled mark is a mark. Blanks about a quoted cell are no part of it; a
mark inside an unquoted cell is text (7" span).
"""

import re
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final

BLANKS: Final = " \t\n\v\f\u00a0\u2007\u202f\u200b\u2060\ufeff"
SPOILT: Final = b"\xff\xfe\xff"  # stands before bytes that are not in the encoding
_JOIN_LINES, _JOIN_BYTES = 200, 2**16
_TELLING_WIDTH: Final = 4  # a whole record of so many cells inside a cell is doubted


@dataclass(frozen=True, slots=True)
class Record:
    """One record: the physical line it starts on (header = 1) and its cells."""

    line: int
    cells: Sequence[str]


@dataclass(frozen=True, slots=True)
class Malformed:
    """A line that is no record, and why."""

    line: int
    reason: str
    raw: str


class Grammar:
    """The cells of a line, for one separator."""

    def __init__(self, separator: str) -> None:
        self.separator = separator
        mark = re.escape(separator)
        blanks = "[ ]*+" if separator == "\t" else "[ \t]*+"
        self._cell = re.compile(
            rf'(?:{blanks}"((?:[^"]|"")*+)"{blanks}|(?!{blanks}")([^{mark}\n]*+))'
            rf"(?={mark}|\Z)"
        )
        self._open = re.compile(rf'{blanks}"(?:[^"]|"")*+\Z')

    def cells(self, text: str) -> tuple[list[str], int | None]:
        """Return the cells and, where the text is no record, where that shows."""
        if '"' not in text and "\n" not in text:
            return text.split(self.separator), None
        cells: list[str] = []
        at = 0
        while found := self._cell.match(text, at):
            quoted, plain = found.groups()
            cells.append(plain if quoted is None else quoted.replace('""', '"'))
            if found.end() == len(text):
                return cells, None
            at = found.end() + len(self.separator)
        return cells, at

    def is_open(self, text: str, at: int) -> bool:
        """Tell whether a quoted cell starts there and does not end."""
        return self._open.match(text, at) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What a row must look like to be a record of its file."""

    width: int
    max_cell_bytes: int
    total_words: tuple[str, ...] = ()

    def of(
        self, line: int, cells: Sequence[str], raw: str
    ) -> Record | Malformed | None:
        """Return the row as a record or as what it is instead; None where blank."""
        filled = next((text for cell in cells if (text := cell.strip(BLANKS))), None)
        if filled is None:
            return None
        if self.total_words and filled.casefold().startswith(self.total_words):
            return Malformed(line, "total_line", raw)
        fitted = self.fitted(cells)
        if fitted is None:
            return Malformed(line, "wrong_width", raw)
        if len(raw) * 4 > self.max_cell_bytes and self._has_long(fitted):
            return Malformed(line, "cell_too_long", raw)
        return Record(line, fitted)

    def fitted(self, cells: Sequence[str]) -> Sequence[str] | None:
        """Return as many cells as the header has; only empty ones may be over."""
        if len(cells) == self.width:
            return cells
        if len(cells) > self.width and not "".join(cells[self.width :]).strip(BLANKS):
            return cells[: self.width]
        return None

    def _has_long(self, cells: Sequence[str]) -> bool:
        return any(len(cell.encode()) > self.max_cell_bytes for cell in cells)


class _Lines:
    """Physical lines with a look ahead."""

    def __init__(self, lines: Iterable[bytes], first_line: int) -> None:
        self._rest, self._ahead = iter(lines), deque[bytes]()
        self.line = first_line - 1  # number of the line last taken

    def take(self) -> bytes | None:
        self.line += 1
        return self._ahead.popleft() if self._ahead else next(self._rest, None)

    def ahead(self) -> Iterator[bytes]:
        """Yield the lines that follow, taking none."""
        yield from tuple(self._ahead)
        for line in self._rest:
            self._ahead.append(line)
            yield line

    def skip(self, n_lines: int) -> None:
        for _ in range(n_lines):
            self.take()


def records(
    lines: Iterable[bytes], grammar: Grammar, shape: Shape, first_line: int
) -> Iterator[Record | Malformed]:
    """Yield every record and every line that is none, in order.

    Parameters
    ----------
    lines : iterable of bytes
        Physical lines, ending in LF; UTF-8, except where a line is spoilt.
    grammar, shape : Grammar, Shape
        How cells are told apart, and what makes them a record.
    first_line : int
        Physical number of the first of the lines.

    Yields
    ------
    Record or Malformed
        Blank lines are neither.
    """
    source = _Lines(lines, first_line)
    while (line := source.take()) is not None:
        if not line.isspace():
            found = _record(line.removesuffix(b"\n"), source, grammar, shape)
            if found is not None:
                yield found


def _record(
    line: bytes, source: _Lines, grammar: Grammar, shape: Shape
) -> Record | Malformed | None:
    try:
        text = line.decode()
    except UnicodeDecodeError:
        shown = line.replace(SPOILT, b"").decode(errors="backslashreplace")
        raw = shown.replace("\0", "\\x00")
        return Malformed(source.line, "undecodable", raw)
    if "\0" in text:
        return Malformed(source.line, "nul_byte", text.replace("\0", "\\x00"))
    cells, stop = grammar.cells(text)
    if stop is None:
        return shape.of(source.line, cells, text)
    if not grammar.is_open(text, stop):
        return Malformed(source.line, "stray_quote", text)
    return _joined(text, source, grammar, shape)


def _joined(
    text: str, source: _Lines, grammar: Grammar, shape: Shape
) -> Record | Malformed | None:
    """Join the lines a quoted cell runs over, or refuse the one line it opens on.

    The cell must close within reach and the record must have the right width; a line
    inside that is a whole record of its own shows that a mark is missing above it.
    """
    first, refused = source.line, Malformed(source.line, "open_quote", text)
    joined, n_bytes, n_marks = [text], len(text), text.count('"')
    for n, line in enumerate(islice(source.ahead(), _JOIN_LINES), start=1):
        n_bytes += len(line)
        more = _inner_text(line, grammar, shape)
        if more is None or n_bytes > _JOIN_BYTES:
            return refused
        joined.append(more)
        n_marks += (marks := more.count('"'))
        if not marks or n_marks % 2:
            continue
        whole = "\n".join(joined)
        cells, stop = grammar.cells(whole)
        if stop is None:
            if shape.fitted(cells) is None:
                return refused
            source.skip(n)
            return shape.of(first, cells, whole)
        if not grammar.is_open(whole, stop):
            return refused
    return refused


def _inner_text(line: bytes, grammar: Grammar, shape: Shape) -> str | None:
    """Return a line as text inside a cell; None where it cannot be that."""
    try:
        text = line.removesuffix(b"\n").decode()
    except UnicodeDecodeError:
        return None
    cells, stop = grammar.cells(text)
    is_record = stop is None and len(cells) == shape.width >= _TELLING_WIDTH
    return None if is_record or "\0" in text else text
