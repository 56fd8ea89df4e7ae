"""A private copy of one input file, as plain UTF-8 lines: all that is read later.

The engine never sees the user's path, and a file that changes while it is read, hangs,
unpacks without end or is no table at all stops here.
"""

import codecs
import gzip
import hashlib
import io
import os
import re
import stat
import tempfile
import zlib
from collections.abc import Iterator, Set
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import IO, Final

from fleetbelt.errors import InputError, PlaceError
from fleetbelt.ingest.folder import Source
from fleetbelt.ingest.records import SPOILT
from fleetbelt.settings import Intake
from fleetbelt.store.places import printable

_CHUNK: Final = 2**20
# a large copy is a file for each processor, of so many bytes or more; with more of them
# the engine joins their last rows anew once all are stored
PARTS, PART_BYTES = min(os.cpu_count() or 1, 8), 2**24
LONGEST_LINE: Final = 2**26  # bytes; nothing with a longer line is a table
BOMB_FROM, BOMB_RATIO = 2**26, 250  # text packs 5 to 50 times
_BOMS: Final = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_WIDE_BLANKS: Final = (
    b"\xc2\xa0",
    b"\xe2\x80",
    b"\xe2\x81",
    b"\xef\xbb",
)
_ODD_QUOTES: Final = re.compile(rb'" +"')
_QUOTES_BY_TABS: Final = re.compile(rb'\t *"|" *\t')
_QUOTE_REACH: Final = 256  # bytes; blanks between two marks
_SPOIL, _MARK = "fleetbelt.spoil", "\udcff"
_ZIP: Final = b"PK\x03\x04"
_NO_TABLE: Final = {
    0: {
        b"%PDF": "a PDF",
        b"PAR1": "a Parquet file",
        b"SQLite format 3": "a database",
        b"\xd0\xcf\x11\xe0": "a workbook of the old .xls kind",
        b"\x1f\x8b": "packed twice",
        _ZIP: "a ZIP archive or workbook",
    },
    8: {b"DUCK": "a database"},
}


@dataclass(frozen=True, slots=True)
class Part:
    """One file of a private copy, and the number of its first line in the whole."""

    path: Path
    first_line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """One file as it was, and what a first pass over its bytes showed.

    Attributes
    ----------
    parts : tuple of Part
        The private copy, cut between lines: UTF-8, lines end in LF, blank lines at the
        end dropped. There is none of a known file; nothing else is said of it either.
    sha256 : str
        Of the bytes as given.
    encoding : str
        How they were decoded.
    n_bytes, n_lines : int
        Of the copy.
    is_utf8 : bool
        Every byte of the copy is.
    is_plain : bool
        It also has no NUL, and no quotation mark that the engine reads otherwise than
        `records` does: the engine may read it.
    has_quotes, has_tabs, has_odd_blanks : bool
        A quotation mark, a tab, a blank that is neither a tab nor a space may be there.
    has_quotes_by_tabs : bool
        A quotation mark stands beside a tab, or blanks and a tab.
    is_workbook : bool
        The copy is the workbook itself.
    """

    parts: tuple[Part, ...]
    sha256: str
    encoding: str
    n_bytes: int = 0
    n_lines: int = 0
    is_utf8: bool = False
    is_plain: bool = False
    has_quotes: bool = False
    has_tabs: bool = False
    has_quotes_by_tabs: bool = False
    has_odd_blanks: bool = False
    is_workbook: bool = False

    @property
    def path(self) -> Path:
        """The file of a copy that is one."""
        (part,) = self.parts
        return part.path

    def lines(self) -> Iterator[bytes]:
        """Yield the lines of the copy."""
        for part in self.parts:
            with part.path.open("rb") as file:
                yield from file

    def blocks(self) -> Iterator[bytes]:
        """Yield the bytes of the copy."""
        for part in self.parts:
            with part.path.open("rb") as file:
                yield from iter(lambda: file.read(_CHUNK), b"")


class _Hashed(io.RawIOBase):
    """A file that hashes and counts what is read from it."""

    def __init__(self, file: IO[bytes]) -> None:
        super().__init__()
        self._file, self.hash, self.n_bytes = file, hashlib.sha256(), 0

    def read(self, size: int = -1, /) -> bytes:
        block = self._file.read(size)
        self.hash.update(block)
        self.n_bytes += len(block)
        return block


def take(
    source: Source,
    workplace: Path,
    intake: Intake,
    known: Set[str] = frozenset(),
) -> Snapshot:
    """Copy a file into the workplace as UTF-8 lines, hashing it on the way.

    Of a file whose hash is among the known ones nothing but that hash is returned.

    Raises
    ------
    InputError
        It is too large, unpacks too far, is damaged or is no table.
    PlaceError
        It cannot be read, is no regular file, or changed while it was read.
    """
    with _opened(source) as file:
        before = os.fstat(file.fileno())
        _refuse_large(before.st_size, source, intake)
        if known:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            if sha256 in known:
                return Snapshot(parts=(), sha256=sha256, encoding="")
            file.seek(0)
        raw = _Hashed(file)
        copy = Path(tempfile.mkdtemp(dir=workplace))
        is_workbook = source.path.suffix.casefold() == ".xlsx"
        if is_workbook:
            snapshot = _copied(raw, copy)
        else:
            chunks = _unpacked(raw, file, source, intake)
            writer = _Writer(copy, source, before.st_size // PARTS)
            snapshot = _normalised(chunks, writer, source)
        while raw.read(_CHUNK):  # what the unpacker left is part of the hash
            pass
        after = os.fstat(file.fileno())
        if (after.st_size, after.st_mtime_ns) != (raw.n_bytes, before.st_mtime_ns):
            raise PlaceError(
                what="The file changed while it was read; nothing was loaded.",
                where=printable(str(source.path)),
                fix="wait until the export has finished, then load again.",
            )
    return replace(snapshot, sha256=raw.hash.hexdigest())


def _opened(source: Source) -> io.BufferedReader:
    """Open a regular file without waiting: a pipe or a device would hang."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        descriptor = os.open(source.path, flags)
    except OSError as error:
        raise PlaceError(
            what=f"The file cannot be read: {error.strerror}.",
            where=printable(str(source.path)),
            fix="make it a readable file, or take it out of the folder.",
        ) from error
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise PlaceError(
            what="This is a folder or a device, not a file.",
            where=printable(str(source.path)),
            fix="put the file itself there, or take it out of the folder.",
        )
    return os.fdopen(descriptor, "rb")


def _refuse_large(n_bytes: int, source: Source, intake: Intake) -> None:
    if n_bytes > intake.max_file_bytes:
        raise InputError(
            what=f"The file holds more than {intake.max_file_bytes:,} bytes.",
            where=source.file,
            fix="split it, or raise intake.max_file_bytes in fleetbelt.toml.",
        )


def _copied(raw: _Hashed, copy: Path) -> Snapshot:
    path = copy / "workbook"
    with path.open("wb") as out:
        while block := raw.read(_CHUNK):
            out.write(block)
    return Snapshot(
        parts=(Part(path, 1),), sha256="", encoding="xlsx", is_workbook=True
    )


def _unpacked(
    raw: _Hashed, file: IO[bytes], source: Source, intake: Intake
) -> Iterator[bytes]:
    """Yield the plain bytes; what is packed is known by its first bytes."""
    is_packed = file.read(2) == b"\x1f\x8b"
    file.seek(0)
    stream = gzip.GzipFile(fileobj=raw) if is_packed else raw
    n_bytes = 0
    while True:
        try:
            chunk = stream.read(_CHUNK)
        except (gzip.BadGzipFile, EOFError, zlib.error) as error:
            raise InputError(
                what=f"The packed file is damaged: {error}.",
                where=source.file,
                fix="export or copy it again.",
            ) from error
        if not chunk:
            return
        if n_bytes == 0:
            _refuse_no_table(chunk, source)
        n_bytes += len(chunk)
        _refuse_large(n_bytes, source, intake)
        if n_bytes > max(BOMB_FROM, BOMB_RATIO * raw.n_bytes):
            raise InputError(
                what=f"The file unpacks to over {BOMB_RATIO} times its size.",
                where=source.file,
                fix="if it is honest, unpack it yourself and put the CSV here.",
            )
        yield chunk


def _refuse_no_table(head: bytes, source: Source) -> None:
    for offset, kinds in _NO_TABLE.items():
        for magic, kind in kinds.items():
            if head.startswith(magic, offset):
                raise InputError(
                    what=f"This is {kind}, not a CSV file.",
                    where=source.file,
                    fix="export it as CSV or .xlsx under its right ending.",
                )


def _normalised(chunks: Iterator[bytes], writer: "_Writer", source: Source) -> Snapshot:
    first = next(chunks, b"")
    encoding = _encoding_of(first, source.mapping.encoding)
    text = _in_utf8(first, chunks, encoding)
    try:
        snapshot = writer.write(_in_lf(text))
    except UnicodeError as error:  # bytes an encoding does not begin with
        raise InputError(
            what=f"The file is not in {encoding}: {error}.",
            where=source.file,
            fix="name its encoding in fleetbelt.toml, such as cp1252 or utf-16-le.",
        ) from error
    snapshot = replace(snapshot, encoding=encoding)
    if snapshot.is_utf8 or source.mapping.encoding or encoding != "utf-8":
        return snapshot
    return _from_windows(snapshot, source)


def _encoding_of(head: bytes, declared: str) -> str:
    """Return the encoding a mark proves, else the declared, else UTF-8."""
    for mark, encoding in _BOMS:
        if head.startswith(mark):
            return encoding
    if declared:
        return declared
    even, odd = head[:4096:2], head[1:4096:2]
    if odd.count(0) > 0.4 * len(odd) and even.count(0) < 0.05 * len(even):
        return "utf-16-le"
    if even.count(0) > 0.4 * len(even) and odd.count(0) < 0.05 * len(odd):
        return "utf-16-be"
    return "utf-8"


def _in_utf8(first: bytes, rest: Iterator[bytes], encoding: str) -> Iterator[bytes]:
    """Yield UTF-8; bytes that are not in the encoding spoil the line they are in."""
    if codecs.lookup(encoding).name == "utf-8":
        yield first.removeprefix(codecs.BOM_UTF8)
        yield from rest
        return
    decoder = codecs.getincrementaldecoder(encoding)(_SPOIL)
    for chunk in chain((first,), rest):
        yield decoder.decode(chunk).encode("utf-8", _SPOIL)
    yield decoder.decode(b"", final=True).encode("utf-8", _SPOIL)


def _spoilt(error: UnicodeError) -> tuple[str | bytes, int]:
    """Return bytes of no meaning as a mark that is no UTF-8, and how they look."""
    if isinstance(error, UnicodeDecodeError):
        odd = error.object[error.start : error.end]
        return _MARK + "".join(f"\\x{byte:02x}" for byte in odd), error.end
    if isinstance(error, UnicodeEncodeError):  # the mark, or half of a pair
        halves = error.object[error.start : error.end].split(_MARK)
        shown = (half.encode("ascii", "backslashreplace") for half in halves)
        return SPOILT + SPOILT.join(shown), error.end
    raise error


codecs.register_error(_SPOIL, _spoilt)


def _in_lf(chunks: Iterator[bytes]) -> Iterator[bytes]:
    held = b""
    for chunk in chunks:
        whole = held + chunk
        held = b"\r" if whole.endswith(b"\r") else b""
        whole = whole[: len(whole) - len(held)]
        if b"\r" in whole:
            whole = whole.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        yield whole
    yield held.replace(b"\r", b"\n")


class _Writer:
    """Writes the copy and notes what its bytes show."""

    def __init__(self, place: Path, source: Source, part_bytes: int) -> None:
        self._place, self._source = place, source
        self._part_bytes = max(part_bytes, PART_BYTES)
        self._parts: list[Part] = []
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._n_bytes = self._n_newlines = self._line_bytes = 0
        self._last_bytes = b""
        self._is_utf8 = self._is_plain = True
        self._has_quotes = self._has_tabs = self._has_odd_blanks = False
        self._has_quotes_by_tabs = False

    def write(self, chunks: Iterator[bytes]) -> Snapshot:
        self._out = self._next_part()
        try:
            return self._write(chunks)
        finally:
            self._out.close()

    def _next_part(self) -> IO[bytes]:
        path = self._place / f"{len(self._parts)}"
        self._parts.append(Part(path, self._n_newlines + 1))
        return path.open("wb")

    def _write(self, chunks: Iterator[bytes]) -> Snapshot:
        n_held = 0  # newlines held back: at the end they are only blank lines
        for chunk in chunks:
            body = chunk.rstrip(b"\n")
            if body:
                self._write_one(b"\n" * n_held + body)
                n_held = 0
            n_held += len(chunk) - len(body)
            if n_held > LONGEST_LINE:
                raise self._no_records()
        self._note_utf8(b"", final=True)
        return Snapshot(
            parts=tuple(self._parts),
            sha256="",
            encoding="",
            n_bytes=self._n_bytes,
            n_lines=self._n_newlines + (self._n_bytes > 0),
            is_utf8=self._is_utf8,
            is_plain=self._is_utf8 and self._is_plain,
            has_quotes=self._has_quotes,
            has_tabs=self._has_tabs,
            has_quotes_by_tabs=self._has_quotes_by_tabs,
            has_odd_blanks=self._has_odd_blanks,
        )

    def _write_one(self, chunk: bytes) -> None:
        if self._out.tell() >= self._part_bytes and (end := chunk.find(b"\n") + 1):
            self._write_some(chunk[:end])
            self._out.close()
            self._out = self._next_part()
            chunk = chunk[end:]
        self._write_some(chunk)

    def _write_some(self, chunk: bytes) -> None:
        self._out.write(chunk)
        self._n_bytes += len(chunk)
        self._n_newlines += chunk.count(b"\n")
        self._has_quotes |= b'"' in chunk
        self._has_tabs |= b"\t" in chunk
        self._has_odd_blanks |= b"\v" in chunk or b"\f" in chunk
        text = self._last_bytes + chunk  # what is looked for may lie across two
        if b"\0" in chunk or (b'" ' in text and _ODD_QUOTES.search(text)):
            self._is_plain = False
        if self._has_quotes and self._has_tabs and not self._has_quotes_by_tabs:
            self._has_quotes_by_tabs = _QUOTES_BY_TABS.search(text) is not None
        if not chunk.isascii():
            self._has_odd_blanks |= any(mark in text for mark in _WIDE_BLANKS)
        self._last_bytes = chunk[-_QUOTE_REACH:]
        self._note_utf8(chunk, final=False)
        self._note_line(chunk)

    def _note_utf8(self, chunk: bytes, *, final: bool) -> None:
        is_between = not self._decoder.getstate()[0]
        if not self._is_utf8 or (is_between and chunk.isascii()):
            return
        try:
            self._decoder.decode(chunk, final)
        except UnicodeDecodeError:
            self._is_utf8 = False

    def _note_line(self, chunk: bytes) -> None:
        end = chunk.rfind(b"\n")
        before = self._line_bytes if end < 0 else 0
        self._line_bytes = before + len(chunk) - end - 1
        if self._line_bytes > LONGEST_LINE:
            raise self._no_records()

    def _no_records(self) -> InputError:
        return InputError(
            what=f"{LONGEST_LINE:,} bytes without a record: this is no table.",
            where=self._source.file,
            fix="export it as CSV, one record a line.",
        )


def _from_windows(snapshot: Snapshot, source: Source) -> Snapshot:
    """Read as Windows-1252 what has accents, none of them UTF-8, all of them its."""
    lines = snapshot.lines()
    if not all(_may_be_windows(line) for line in lines if not line.isascii()):
        return snapshot
    text = (block.decode("cp1252").encode() for block in snapshot.blocks())
    place = Path(tempfile.mkdtemp(dir=snapshot.parts[0].path.parent))
    writer = _Writer(place, source, snapshot.n_bytes // PARTS)
    return replace(writer.write(text), encoding="cp1252")


def _may_be_windows(line: bytes) -> bool:
    try:
        line.decode()
    except UnicodeDecodeError:
        try:
            line.decode("cp1252")
        except UnicodeDecodeError:
            return False
        return True
    return False
