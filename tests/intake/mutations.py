"""Ways to spoil a data folder, and what must be true of it after a load."""

import gzip
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import numpy as np

from fleetbelt.contract import INPUTS
from fleetbelt.errors import InputError, PlaceError
from fleetbelt.ingest import load
from fleetbelt.settings import load_settings
from fleetbelt.store.database import connect
from tests.ingest.folders import NOW

Rng = np.random.Generator


@dataclass
class Case:
    """A folder being spoilt: text by file name, how it is packed, what is planted."""

    texts: dict[str, bytes]
    rng: Rng
    packed: dict[str, Callable[[bytes], bytes]] = field(default_factory=dict)
    planted: set[str] = field(default_factory=set)
    damaged: set[str] = field(default_factory=set)
    settings: bytes | None = None

    def pick(self, *choices):
        return choices[self.rng.integers(len(choices))]

    def file(self) -> str:
        """A file, the large ones more often."""
        names = sorted(self.texts)
        sizes = np.array([len(self.texts[name]) + 100.0 for name in names])
        return names[self.rng.choice(len(names), p=sizes / sizes.sum())]

    def at(self, length: int) -> int:
        return int(self.rng.integers(max(length, 1)))

    def token(self) -> str:
        """A text that is nowhere else, to be found again."""
        token = f"zq{self.rng.integers(10**12):012d}qz"
        self.planted.add(token)
        return token

    def write(self, place: Path) -> None:
        place.mkdir()
        for name, text in self.texts.items():
            data = self.packed.get(name, bytes)(text)
            if name in self.damaged:
                data = _damaged(self, data)
            (place / name).write_bytes(data)
        if self.settings is not None:
            (place / "fleetbelt.toml").write_bytes(self.settings)

    def to_be_found(self) -> set[str]:
        """Planted texts that are still whole in a file whose packing is."""
        whole = b"\0\n".join(
            text for name, text in self.texts.items() if name not in self.damaged
        )
        return {token for token in self.planted if token.encode() in whole}


def _damaged(case: Case, data: bytes) -> bytes:
    spoilt = bytearray(data)
    for _ in range(int(case.rng.integers(1, 4))):
        if spoilt:
            spoilt[case.at(len(spoilt))] = int(case.rng.integers(256))
    return bytes(
        spoilt[: case.at(len(spoilt)) + 1] if case.rng.random() < 0.5 else spoilt
    )


def _lines(case: Case, name: str, change: Callable[[list[bytes]], object]) -> None:
    lines = case.texts[name].split(b"\n")
    change(lines)
    case.texts[name] = b"\n".join(lines)


def plant_cell(case: Case) -> None:
    """Put a new text into a cell, in one of many dresses."""
    name = case.file()
    token = case.token()
    dress = case.pick(
        "{}",
        '"{}"',
        '"{}\nx"',
        '"x\n\n{}"',
        '"a,{},b"',
        '"a""{}"',
        ' "{}" ',
        "={}",
        "{}\u00a0",
        '7" {}',
        '"{}',
        '{}"',
        '"x"{}',
        "x" * 70_000 + "{}",
        "{}\t",
    ).format(token)

    def change(lines):
        line = 1 + case.at(len(lines) - 1) if len(lines) > 1 else 0
        cells = lines[line].split(b",")
        cells[case.at(len(cells))] = dress.encode()
        lines[line] = b",".join(cells)

    _lines(case, name, change)


def plant_line(case: Case) -> None:
    """Put a line of another width in."""
    line = ",".join([case.token(), *[""] * case.at(30)]).encode()
    _lines(case, case.file(), lambda ls: ls.insert(case.at(len(ls) + 1), line))


def plant_total(case: Case) -> None:
    """End with a total line."""
    case.texts[case.file()] += f"Total,{case.token()},,,12\n".encode()


def long_cell(case: Case) -> None:
    """Put a cell of over a mebibyte in."""
    name = case.file()
    case.texts[name] += b"x" * 2**20 + case.token().encode() + b",1\n"


def title(case: Case) -> None:
    """Put title lines on top."""
    name = case.file()
    case.texts[name] = b"Report\n\n" + case.texts[name]


def drop_line(case: Case) -> None:
    """Take a line out, perhaps the headings."""
    _lines(case, case.file(), lambda lines: lines.pop(case.at(len(lines))))


def double_line(case: Case) -> None:
    """Put a line in twice."""
    _lines(
        case,
        case.file(),
        lambda ls: ls.insert(case.at(len(ls) + 1), ls[case.at(len(ls))]),
    )


def swap_lines(case: Case) -> None:
    """Change the order of two lines."""

    def change(lines):
        one, other = case.at(len(lines)), case.at(len(lines))
        lines[one], lines[other] = lines[other], lines[one]

    _lines(case, case.file(), change)


def drop_cell(case: Case) -> None:
    """Take a cell out of a line."""

    def change(lines):
        line = case.at(len(lines))
        cells = lines[line].split(b",")
        cells.pop(case.at(len(cells)))
        lines[line] = b",".join(cells)

    _lines(case, case.file(), change)


def insert_bytes(case: Case) -> None:
    """Put some bytes in anywhere."""
    name = case.file()
    text = case.texts[name]
    at = case.at(len(text))
    piece = case.pick(
        b'"',
        b'""',
        b",",
        b";",
        b"\n",
        b"\r",
        b"\r\n",
        b"\0",
        b"\xff",
        b"\xc3",
        b"\xef\xbb\xbf",
        b"\xc2\xa0",
        b"\t",
        b" ",
        b"\x1a",
        b"\xe2\x80\xa8",
        b"\x85",
        bytes(case.rng.integers(0, 256, 20, dtype=np.uint8)),
    )
    case.texts[name] = text[:at] + piece + text[at:]


def change_byte(case: Case) -> None:
    """Change one byte."""
    name = case.file()
    text = bytearray(case.texts[name])
    if text:
        text[case.at(len(text))] = int(case.rng.integers(256))
    case.texts[name] = bytes(text)


def delete_bytes(case: Case) -> None:
    """Take some bytes out."""
    name = case.file()
    text = case.texts[name]
    at = case.at(len(text))
    case.texts[name] = text[:at] + text[at + case.at(60) :]


def cut_off(case: Case) -> None:
    """End a file early."""
    name = case.file()
    case.texts[name] = case.texts[name][: case.at(len(case.texts[name]))]


def empty(case: Case) -> None:
    """Leave nothing, or only the headings."""
    name = case.file()
    head = case.texts[name].split(b"\n")[0]
    case.texts[name] = case.pick(b"", b"\n", head, b"\0", b"\xff\xfe")


def copy_file(case: Case) -> None:
    """Give a file, or a part of it, under another name too."""
    name = case.file()
    stem = name.removesuffix(".csv")
    head, *body = case.texts[name].split(b"\n")
    part = case.pick(body, body[::2], body[::-1])
    case.texts[f"{stem}_copy.csv"] = b"\n".join([head, *part])


def lose_file(case: Case) -> None:
    """Take a file away."""
    if len(case.texts) > 1:
        del case.texts[case.file()]


def other_lines(case: Case) -> None:
    """End lines in another way."""
    name = case.file()
    end = case.pick(b"\r\n", b"\r", b"\n\n", b" \n")
    case.texts[name] = case.texts[name].replace(b"\n", end)


def pack(case: Case) -> None:
    """Write a file in another encoding, or packed."""

    def utf16(text: bytes) -> bytes:
        return text.decode(errors="replace").encode("utf-16")

    def bare_utf16(text: bytes) -> bytes:
        return text.decode(errors="replace").encode("utf-16-le")

    def windows(text: bytes) -> bytes:
        return text.decode(errors="replace").encode("cp1252", "replace")

    case.packed[case.file()] = case.pick(utf16, bare_utf16, windows, gzip.compress)


def damage(case: Case) -> None:
    """Spoil the bytes of a packed file."""
    name = case.file()
    case.packed.setdefault(name, gzip.compress)
    case.damaged.add(name)


def declare(case: Case) -> None:
    """Write settings that fit, or do not."""
    case.settings = case.pick(
        b"",
        b"[",
        b"\xff",
        b"[intake]\nmax_cell_bytes = 1024\n",
        b"[intake]\nmax_file_bytes = 2000\n",
        b'[[file]]\nname = "*"\nseparator = ";"\n',
        b'[[file]]\nname = "*"\ndecimal_comma = true\nthousands = "."\n',
        b'[[file]]\nname = "*"\ndate_form = "DMY"\n',
        b'[[file]]\nname = "*"\nencoding = "cp1252"\n',
        b'[[file]]\nname = "*"\nencoding = "utf-16"\n',
        b'[[file]]\nname = "*"\nskip_totals = ["total", "s"]\n',
        b'[[file]]\nname = "*"\nskip_top = 2\n',
    )


MUTATIONS: tuple[Callable[[Case], None], ...] = (
    plant_cell,
    plant_cell,
    plant_cell,
    plant_line,
    plant_total,
    long_cell,
    title,
    drop_line,
    double_line,
    swap_lines,
    drop_cell,
    insert_bytes,
    insert_bytes,
    change_byte,
    delete_bytes,
    cut_off,
    empty,
    copy_file,
    lose_file,
    other_lines,
    pack,
    damage,
    declare,
)


def spoilt(
    folder: Path, seed: int, mutations: Sequence[Callable[[Case], None]]
) -> Case:
    """Return a case: the folder's CSV files with these mutations, one by one."""
    texts = {path.name: path.read_bytes() for path in sorted(folder.glob("*.csv"))}
    case = Case(texts=texts, rng=np.random.default_rng(seed))
    plant_cell(case)
    for mutate in mutations:
        mutate(case)
    return case


def verdict(case: Case, place: Path, *, accept_refusals: bool) -> str:
    """Load a case and return "loaded" or "refused".

    Raises
    ------
    AssertionError
        A row is not accounted for, a planted text is gone, or a refused load left
        something behind. Any other exception than the two on purpose passes through.
    """
    case.write(place / "records")
    with connect(place / "fleet.duckdb") as connection:
        try:
            report = load(
                connection,
                place / "records",
                load_settings(place / "records"),
                now=NOW,
                accept_refusals=accept_refusals,
            )
        except (InputError, PlaceError):
            tables = connection.execute("from duckdb_tables()").fetchall()
            assert not tables, "a refused load left tables behind"
            return "refused"
        for file in report.files:
            n_found = file.rows_loaded + file.rows_quarantined + file.rows_duplicate
            assert file.rows_read == n_found, f"{file} does not add up"
        text = _all_text(connection)
        gone = {token for token in case.to_be_found() if token not in text}
        assert not gone, f"planted and gone: {gone}"
    return "loaded"


def _all_text(connection: duckdb.DuckDBPyConnection) -> str:
    """All that the database holds of the files, as one text."""
    found = []
    for table in INPUTS:
        cells = ", ".join(column.name for column in table.columns)
        found += connection.execute(
            f"select concat_ws(' ', {cells}, extra) from raw.{table.name}"
        ).fetchall()
    found += connection.execute("select raw from typed.refusals").fetchall()
    found += connection.execute("select understood from raw.files").fetchall()
    return "\n".join(text for (text,) in found)
