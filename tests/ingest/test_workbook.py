"""Sheets read like CSV files; a line is a row number."""

import datetime as dt
import io
import zipfile

import openpyxl
import pytest

from fleetbelt.errors import InputError
from fleetbelt.ingest import workbook
from tests.ingest.folders import folder, refusals, rows, taken_in, with_settings

HEAD: list[object] = ["vehicle_id", "date", "odometer_mi"]


def book(**sheets: list[list[object]]) -> bytes:
    """Return a workbook with these sheets."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, lines in sheets.items():
        sheet = made.create_sheet(name)
        for line in lines:
            sheet.append(line)
    data = io.BytesIO()
    made.save(data)
    return data.getvalue()


def with_book(place, data: bytes, name: str = "odometers.xlsx"):
    folder(place)
    (place / name).write_bytes(data)
    return place


def test_numbers_dates_and_text_are_read_as_they_are(database, tmp_path):
    data = book(
        Sheet1=[
            [],
            ["All depots"],
            HEAD,
            ["V1", dt.date(2024, 5, 3), 12000],
            [],
            ["V2", dt.datetime(2024, 5, 4, 10, 30), 12000.5],  # noqa: DTZ001
            ["V3", "2024-05-05", "12001"],
            [7, "2024-05-05", True],
            ["V3", None, 5],
        ]
    )

    taken_in(database, with_book(tmp_path / "a", data))

    assert rows(
        database,
        "select line, vehicle_id, date::varchar, odometer_mi "
        "from typed.odometers order by line",
    ) == [
        (4, "V1", "2024-05-03", 12000.0),
        (6, "V2", "2024-05-04", 12000.5),
        (7, "V3", "2024-05-05", 12001.0),
    ]
    assert refusals(database) == [
        ("odometers", 8, "not_a_number"),
        ("odometers", 9, "missing_value"),
    ]


def test_the_sheet_named_for_the_table_is_the_one(database, tmp_path):
    data = book(Notes=[["x"]], Odometers=[HEAD, ["V1", "2024-05-03", 5]])

    taken_in(database, with_book(tmp_path / "a", data))

    assert rows(
        database,
        "select understood ->> 'sheet' from raw.files where table_name = 'odometers'",
    ) == [("Odometers",)]


def test_a_sheet_that_is_not_certain_is_asked_for(database, tmp_path):
    place = with_book(tmp_path / "a", book(One=[["x"]], Two=[HEAD, ["V1", "", 5]]))
    with pytest.raises(InputError, match=r"not certain: One, Two") as caught:
        taken_in(database, place)
    assert "sheet =" in caught.value.fix

    with_settings(place, '[[file]]\nname = "odometers.xlsx"\nsheet = "two"\n')
    taken_in(database, place)

    assert refusals(database) == [("odometers", 2, "missing_value")]


def test_an_empty_sheet_has_no_headings(database, tmp_path):
    with pytest.raises(InputError, match="no heading row"):
        taken_in(database, with_book(tmp_path / "a", book(One=[])))


@pytest.mark.parametrize("data", [b"", b"vehicle_id,date\n", b"PK\x03\x04rest"])
def test_what_is_no_workbook_is_refused(database, tmp_path, data):
    with pytest.raises(InputError, match="workbook cannot be read"):
        taken_in(database, with_book(tmp_path / "a", data))


def test_a_zip_that_is_no_workbook_is_refused(database, tmp_path):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr("a", "b")

    with pytest.raises(InputError, match="workbook cannot be read"):
        taken_in(database, with_book(tmp_path / "a", data.getvalue()))


def test_a_workbook_that_unpacks_without_end_is_refused(
    database, tmp_path, monkeypatch
):
    monkeypatch.setattr(workbook, "BOMB_FROM", 2**16)
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/sheet.xml", b"0" * 2**24)

    with pytest.raises(InputError, match="unpacks to"):
        taken_in(database, with_book(tmp_path / "a", data.getvalue()))
