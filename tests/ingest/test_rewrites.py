"""The same records written another way load to the same tables."""

import csv
import gzip
import io
from collections.abc import Callable
from pathlib import Path

import pytest
import xlsxwriter

from fleetbelt.simulation import simulate
from fleetbelt.store.database import connect
from tests.ingest.folders import accepted, rows, taken_in

Lines = list[list[str]]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory) -> Path:
    """A small invented fleet with dirty rows."""
    place: Path = tmp_path_factory.mktemp("fleet")
    simulate(place, n_vehicles=12, years=1.5, seed=3, with_dirt=True)
    return place


@pytest.fixture(scope="module")
def expected(fleet, tmp_path_factory):
    return loaded(fleet, tmp_path_factory.mktemp("expected"))


def loaded(place: Path, scratch: Path):
    """What a folder loads to: accepted rows, and the reasons against the others."""
    with connect(scratch / "fleet.duckdb") as connection:
        taken_in(connection, place, accept_refusals=True)
        reasons = rows(
            connection,
            "select table_name, reason, count(*) from typed.refusals "
            "group by all order by all",
        )
        return accepted(connection), reasons


def written(lines: Lines, **options) -> str:
    text = io.StringIO()
    csv.writer(text, **{"lineterminator": "\n"} | options).writerows(lines)
    return text.getvalue()


def shuffled(lines: Lines) -> Lines:
    body = lines[1:]
    return [lines[0], *body[1::2], *body[::2][::-1]]


def reversed_columns(lines: Lines) -> Lines:
    return [line[::-1] for line in lines]


def blanks_about(lines: Lines) -> str:
    quoted = [['"' + cell.replace('"', '""') + '"' for cell in line] for line in lines]
    return "\n".join(" , ".join(line) for line in quoted)


def last_blank(lines: Lines) -> str:
    return "\n\n".join(written([line]).strip("\n") for line in lines) + "\n \n\n"


REWRITES: dict[str, Callable[[Lines], bytes]] = {
    "byte order mark": lambda lines: written(lines).encode("utf-8-sig"),
    "CRLF": lambda lines: written(lines, lineterminator="\r\n").encode(),
    "CR": lambda lines: written(lines, lineterminator="\r").encode(),
    "all quoted": lambda lines: written(lines, quoting=csv.QUOTE_ALL).encode(),
    "semicolons": lambda lines: written(lines, delimiter=";").encode(),
    "tabs": lambda lines: written(lines, delimiter="\t").encode(),
    "bars": lambda lines: written(lines, delimiter="|").encode(),
    "UTF-16": lambda lines: written(lines).encode("utf-16"),
    "UTF-16 without a mark": lambda lines: written(lines).encode("utf-16-be"),
    "Windows-1252": lambda lines: written(lines).encode("cp1252"),
    "gzip": lambda lines: gzip.compress(written(lines).encode()),
    "column order": lambda lines: written(reversed_columns(lines)).encode(),
    "row order": lambda lines: written(shuffled(lines)).encode(),
    "title lines": lambda lines: ("Report\n\n" + written(lines)).encode(),
    "blanks about cells": lambda lines: blanks_about(lines).encode(),
    "blank lines": lambda lines: last_blank(lines).encode(),
    "other case": lambda lines: written(
        [[h.upper() for h in lines[0]], *lines[1:]]
    ).encode(),
    "a trailing separator": lambda lines: written(
        [[*line, ""] for line in lines]
    ).encode(),
}


def lines_of(path: Path) -> Lines:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


@pytest.mark.parametrize("rewrite", REWRITES)
def test_another_way_of_writing_a_file_loads_the_same(
    fleet, expected, tmp_path, rewrite
):
    for path in fleet.glob("*.csv"):
        (tmp_path / path.name).write_bytes(REWRITES[rewrite](lines_of(path)))

    assert loaded(tmp_path, tmp_path) == expected


def test_a_file_split_in_three_loads_the_same(fleet, expected, tmp_path):
    for path in fleet.glob("*.csv"):
        head, *body = lines_of(path)
        for part in range(3):
            name = f"{path.stem}_{part}.csv"
            (tmp_path / name).write_text(written([head, *body[part::3]]))

    assert loaded(tmp_path, tmp_path) == expected


def test_workbooks_load_the_same(fleet, expected, tmp_path):
    for path in fleet.glob("*.csv"):
        with xlsxwriter.Workbook(
            tmp_path / f"{path.stem}.xlsx", {"strings_to_formulas": False}
        ) as book:
            sheet = book.add_worksheet()
            for at, line in enumerate(lines_of(path)):
                sheet.write_row(at, 0, line)

    assert loaded(tmp_path, tmp_path) == expected


def test_files_loaded_one_by_one_load_the_same(fleet, expected, tmp_path):
    with connect(tmp_path / "fleet.duckdb") as connection:
        names = ["vehicles", "drives", "specs", "services"]
        first = tmp_path / "first"
        first.mkdir()
        for name in names:
            (first / f"{name}.csv").write_bytes((fleet / f"{name}.csv").read_bytes())
        taken_in(connection, first, accept_refusals=True)

        taken_in(connection, fleet, accept_refusals=True)

        assert accepted(connection) == expected[0]
