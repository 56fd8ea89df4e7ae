"""The workbook of the plan, read with another library: the rows of the table."""

import re
import zipfile
from datetime import datetime
from pathlib import Path

import duckdb
import openpyxl
import polars as pl
import pytest
from openpyxl.utils.escape import unescape

from fleetbelt.store.export import write_tables
from fleetbelt.store.frames import write
from fleetbelt.takeaway import files, workbook, write_work_plan
from fleetbelt.takeaway.workbook import sheet_name
from tests.takeaway import plans

ABOUT = "About this plan"


def _opened(folder: Path):
    return openpyxl.load_workbook(folder / "work_plan.xlsx")


def _rows(book) -> pl.DataFrame:
    """Return the rows of every depot's sheet, as they stand."""
    rows = [
        [c.value.date() if isinstance(c.value, datetime) else c.value for c in row]
        for sheet in book
        if sheet.title != ABOUT
        for row in sheet.iter_rows(min_row=2)
    ]
    return pl.DataFrame(rows, plans.SCHEMA, orient="row")


def test_another_library_reads_the_rows_of_the_table(tmp_path: Path):
    jobs = plans.plan()

    write_work_plan(plans.results(jobs), tmp_path)

    key = ["depot", "belt_id"]
    assert _rows(_opened(tmp_path)).sort(key).equals(jobs.sort(key))


def test_each_depot_has_a_sheet_with_its_own_jobs_and_the_last_explains(tmp_path: Path):
    write_work_plan(plans.results(plans.plan()), tmp_path)

    book = _opened(tmp_path)
    assert book.sheetnames == ["Aldmoor", "Fenwick", ABOUT]
    depots = {row[2].value for row in book["Fenwick"].iter_rows(min_row=2)}
    assert depots == {"Fenwick"}
    words = [
        cell.value for row in book[ABOUT].iter_rows() for cell in row if cell.value
    ]
    assert "As of 2026-06-30; one row is a job due within 26 weeks." in words
    assert any("not a repair instruction" in str(word) for word in words)
    named = {row[1].value for row in book[ABOUT].iter_rows(min_row=6)}
    assert named == set(plans.SCHEMA)


def test_the_heading_stays_dates_are_dates_and_rows_can_be_filtered(tmp_path: Path):
    write_work_plan(plans.results(plans.plan()), tmp_path)

    sheet = _opened(tmp_path)["Aldmoor"]
    head = {cell.value: cell.column for cell in sheet[1]}
    first = sheet.cell(2, head["Week from"])
    assert sheet.freeze_panes == "A2"
    assert sheet.auto_filter.ref == f"A1:L{sheet.max_row}"
    assert first.is_date
    assert first.number_format == "yyyy-mm-dd"
    assert sheet.print_title_rows == "$1:$1"
    assert sheet.cell(1, head["Expected cost (EUR)"]).font.bold
    assert not [heading for heading in head if "_" in heading]


def test_jobs_without_room_come_last_without_a_week_and_are_grey(tmp_path: Path):
    write_work_plan(plans.results(plans.plan()), tmp_path)

    sheet = _opened(tmp_path)["Aldmoor"]
    week = {cell.value: cell.column for cell in sheet[1]}["Week from"]
    is_grey = [row[0].fill.fill_type == "solid" for row in sheet.iter_rows(min_row=2)]
    no_week = [row[week - 1].value is None for row in sheet.iter_rows(min_row=2)]
    assert no_week == is_grey == [False] * 8 + [True] * 4


def test_hostile_text_is_text_as_in_the_csv(tmp_path: Path):
    jobs = plans.hostile_plan()
    with duckdb.connect() as connection:
        write(connection, "results.work_plan", jobs)
        write_tables(connection, tmp_path)

    write_work_plan(plans.results(jobs), tmp_path)

    csv = pl.read_csv(tmp_path / "work_plan.csv", schema=plans.SCHEMA)
    read = _rows(_opened(tmp_path))
    cut = csv.sort("belt_id")["reason"].str.head(workbook._MOST_CHARACTERS)
    reasons = read.sort("belt_id")["reason"].to_list()
    assert [unescape(text) for text in reasons] == cut.to_list()
    assert not any(text[:1] in "=+-@\t" for text in read["vehicle_id"].drop_nulls())
    with zipfile.ZipFile(tmp_path / "work_plan.xlsx") as archive:
        sheets = [n for n in archive.namelist() if "/sheet" in n and n[-3:] == "xml"]
        for name in sheets:
            assert not re.search(rb"<f>|<hyperlink", archive.read(name))


@pytest.mark.parametrize("text", plans.HOSTILE)
def test_a_sheet_has_a_name_that_a_spreadsheet_takes(text: str):
    name = sheet_name(text, {"history", "x" * 31})

    assert 1 <= len(name.encode("utf-16-le")) // 2 <= 31
    assert not re.search(r"[\[\]:*?/\\\x00-\x1f]|^'|'$", name)
    assert name.casefold() not in {"history", "x" * 31}


def test_depots_that_differ_only_in_case_or_at_their_end_get_sheets_of_their_own(
    tmp_path: Path,
):
    depots = ("North", "NORTH", "x" * 31, "x" * 32, "x" * 33)

    write_work_plan(plans.results(plans.plan(depots, n_vehicles=1)), tmp_path)

    names = _opened(tmp_path).sheetnames
    assert names == ["NORTH", "North (2)", "x" * 31, "x" * 27 + " (2)",
                     "x" * 27 + " (3)", ABOUT]  # fmt: skip


def test_a_depot_with_more_jobs_than_a_sheet_holds_goes_on_in_another(
    tmp_path: Path, monkeypatch
):
    monkeypatch.setattr(workbook, "MOST_ROWS", 5)
    jobs = plans.plan(("Aldmoor",))

    write_work_plan(plans.results(jobs), tmp_path)

    book = _opened(tmp_path)
    assert book.sheetnames == ["Aldmoor", "Aldmoor (2)", "Aldmoor (3)", ABOUT]
    assert _rows(book).height == jobs.height


@pytest.mark.parametrize(
    ("most", "held", "said"),
    [
        (15, 12, "without room, are in work_plan.csv and work_plan.parquet beside it"),
        (3, 8, "8 of 24. The other 16, 8 of them"),
        (16, 16, "16 of 24. The other 8, 8 of them"),
    ],
)
def test_a_long_plan_is_cut_after_a_whole_week_and_the_first_sheet_says_so(
    tmp_path: Path, monkeypatch, most: int, held: int, said: str
):
    monkeypatch.setattr(files, "MOST_JOBS", most)
    jobs = plans.plan()  # 8 jobs in each of two weeks, 8 without room

    write_work_plan(plans.results(jobs), tmp_path)

    book = _opened(tmp_path)
    assert book.sheetnames == [ABOUT, "Aldmoor", "Fenwick"]
    words = str(book[ABOUT]["A1"].value)
    assert "holds the jobs up to the week from 2026-07-" in words
    assert said in words
    rows = _rows(book)
    assert rows.height == held
    first = jobs.drop_nulls("week").sort("week").head(held)
    assert rows.sort("belt_id").equals(first.sort("belt_id"))


def test_a_long_plan_without_any_week_is_not_cut(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(files, "MOST_JOBS", 3)
    jobs = plans.plan().with_columns(week=pl.lit(None, dtype=pl.Date))

    write_work_plan(plans.results(jobs), tmp_path)

    assert _rows(_opened(tmp_path)).height == jobs.height


def test_an_empty_plan_leaves_a_heading_and_no_row(tmp_path: Path):
    write_work_plan(plans.results(plans.plan().clear()), tmp_path)

    book = _opened(tmp_path)
    assert book.sheetnames == ["No job is due", ABOUT]
    assert book["No job is due"]["A1"].value == "Vehicle"
    assert _rows(book).is_empty()


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path):
    jobs = plans.hostile_plan()
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()

    write_work_plan(plans.results(jobs), first)
    write_work_plan(
        plans.results(jobs.sample(fraction=1, shuffle=True, seed=1)), second
    )

    for name in ("work_plan.xlsx", "work_plan.ics"):
        assert (first / name).read_bytes() == (second / name).read_bytes()
    assert sorted(path.name for path in first.iterdir()) == [
        "work_plan.ics",
        "work_plan.xlsx",
    ]


def test_a_run_without_a_plan_or_without_records_leaves_no_file(tmp_path: Path):
    tables = plans.results(plans.plan())
    no_day = tables | {"results.run_info": tables["results.run_info"].clear()}

    assert write_work_plan({}, tmp_path) == []
    assert write_work_plan(no_day, tmp_path) == []
    assert list(tmp_path.iterdir()) == []
