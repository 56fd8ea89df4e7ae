"""Cells to values: each exact, or its row refused with the reason."""

import datetime as dt

import pytest

from fleetbelt.contract.tables import date, integer, real, text
from fleetbelt.ingest.casts import Form, value_of
from fleetbelt.ingest.statements import Sql

READING, COUNT, DAY = real("x", ""), integer("x", ""), date("x")
WORDS = text("x", "", "lbf N one_way")


@pytest.fixture
def value(database):
    def cast(column, cell: str, **form):
        sql = value_of(column, Sql("$cell"), Form(**form))
        return database.execute(f"select {sql}", {"cell": cell}).fetchall()[0][0]

    return cast


@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("12", 12.0),
        ("12.5", 12.5),
        ("-0.25", -0.25),
        ("+3", 3.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("007", 7.0),
        ("123456789012345", 123456789012345.0),
        ("0.30000000000000004", 0.1 + 0.2),
        ("12,5", None),
        ("1,234.5", None),
        ("1e3", None),
        ("0x1F", None),
        ("1_000", None),
        ("nan", None),
        ("inf", None),
        ("1e309", None),
        ("12 lbf", None),
        ("1.2.3", None),
        (".", None),
        ("-", None),
        ("१२", None),
        ("\u221212", None),
        ("9" * 400, None),
    ],
)
def test_a_number_is_exact_or_refused(value, cell, number):
    assert value(READING, cell) == number


@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("6", 6),
        ("6.0", 6),
        ("-2", -2),
        ("12000.7", None),
        (".5", None),
        ("1e3", None),
        ("0x1F", None),
        ("0b1", None),
        ("1_000", None),
        ("9" * 16, None),
    ],
)
def test_a_whole_number_is_exact_or_refused(value, cell, number):
    assert value(COUNT, cell) == number


@pytest.mark.parametrize(
    ("cell", "form", "number"),
    [
        ("12,5", {"decimal_comma": True}, 12.5),
        ("12.5", {"decimal_comma": True}, None),
        ("12.345,5", {"decimal_comma": True, "thousands": "."}, 12345.5),
        ("12.5", {"decimal_comma": True, "thousands": "."}, None),
        ("1,234.5", {"thousands": ","}, 1234.5),
        ("12,34", {"thousands": ","}, None),
        ("1\u00a0234,5", {"decimal_comma": True, "thousands": " "}, 1234.5),
        ("1'234.5", {"thousands": "'"}, 1234.5),
        ("1\u2019234.5", {"thousands": "'"}, 1234.5),
        ("1\u2009234", {"thousands": " "}, 1234.0),
    ],
)
def test_decimal_commas_and_thousands_are_read_only_where_declared(
    value, cell, form, number
):
    assert value(READING, cell, **form) == number


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("2024-01-05", dt.date(2024, 1, 5)),
        ("2024-1-5", dt.date(2024, 1, 5)),
        ("2024/01/05", dt.date(2024, 1, 5)),
        ("2024-01-05 00:00:00", dt.date(2024, 1, 5)),
        ("2024-01-05T23:59", dt.date(2024, 1, 5)),
        ("2024-01-05 11:59:00 PM", dt.date(2024, 1, 5)),
        ("2024-01-05 11:59\u202fam", dt.date(2024, 1, 5)),
        ("2024-01-05 25:00", None),
        ("2024-01-05T23:59Z", None),
        ("2024-02-30", None),
        ("24-01-05", None),
        ("20240105", None),
        ("0024-01-05", None),
        ("infinity", None),
        ("epoch", None),
        ("2024-01-05 (BC)", None),
        ("05.01.2024", None),
        ("45292", None),
        ("3024-01-05", None),
    ],
)
def test_a_date_is_year_first_and_exact_or_refused(value, cell, day):
    assert value(DAY, cell) == day


@pytest.mark.parametrize(
    ("form", "day"),
    [("DMY", dt.date(2024, 4, 3)), ("MDY", dt.date(2024, 3, 4))],
)
@pytest.mark.parametrize("cell", ["03/04/2024", "3.4.2024", "03-04-2024 10:30"])
def test_the_order_of_a_date_is_the_declared_one(value, form, day, cell):
    assert value(DAY, cell, date_form=form) == day


@pytest.mark.parametrize("cell", ["13/14/2024", "2024-01-05", "03/04/24"])
def test_a_date_of_another_form_than_the_declared_is_refused(value, cell):
    assert value(DAY, cell, date_form="DMY") is None


@pytest.mark.parametrize(
    ("cell", "word"),
    [("lbf", "lbf"), ("LBF", "lbf"), ("n", "N"), ("ONE_WAY", "one_way"), ("kg", None)],
)
def test_code_words_have_no_case(value, cell, word):
    assert value(WORDS, cell) == word


def test_a_fleets_own_words_stand_beside_the_contracts(value):
    own = {"x": {"Pfund": "lbf", "it's": "N"}}

    words = [value(WORDS, cell, words=own) for cell in ("PFUND", "lbf", "It's", "x")]

    assert words == ["lbf", "lbf", "N", None]
