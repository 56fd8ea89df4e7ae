"""Lines to records: the grammar, and finding its feet again after a bad line."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetbelt.ingest.records import Grammar, Malformed, Record, Shape, records


def read(text: str | bytes, width: int = 3, separator: str = ",", **shape):
    data = text.encode() if isinstance(text, str) else text
    options = {"max_cell_bytes": 2**20} | shape
    return list(
        records(io.BytesIO(data), Grammar(separator), Shape(width=width, **options), 2)
    )


def found(text: str | bytes, **options):
    """Records as lists; lines that are none as their line and reason."""
    return [
        list(row.cells) if isinstance(row, Record) else (row.line, row.reason)
        for row in read(text, **options)
    ]


@pytest.mark.parametrize(
    ("line", "cells"),
    [
        ("a,b,c", ["a", "b", "c"]),
        ('"a,b",c,d', ["a,b", "c", "d"]),
        ('"a""b",c,', ['a"b', "c", ""]),
        ('a, "b" ,c', ["a", "b", "c"]),
        ('7" span,b,c', ['7" span', "b", "c"]),
        ('"two\nlines",b,c', ["two\nlines", "b", "c"]),
        (",,x", ["", "", "x"]),
        ("a,b,c,,", ["a", "b", "c"]),
    ],
)
def test_a_line_is_read_as_its_cells(line, cells):
    assert found(line) == [cells]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("a,b", "wrong_width"),
        ("a,b,c,d", "wrong_width"),
        ('a,"b"c,d', "stray_quote"),
        ('a,"b,c', "open_quote"),
        ("a,b\0,c", "nul_byte"),
        (b"a,\xff,c", "undecodable"),
    ],
)
def test_a_line_that_is_no_record_is_refused_with_its_reason(line, reason):
    assert found(line) == [(2, reason)]


def test_reading_goes_on_after_every_bad_line():
    text = '1,b,c\n2,"b,c\n3,b,c\n4,b\n5,"b\nb",c\n\n8,b,c\n'

    assert found(text) == [
        ["1", "b", "c"],
        (3, "open_quote"),
        ["3", "b", "c"],
        (5, "wrong_width"),
        ["5", "b\nb", "c"],
        ["8", "b", "c"],
    ]


def test_a_record_carries_the_physical_line_it_starts_on():
    rows = read('\n"1\n\n1",b,c\n\n2,b,c\n')

    assert [row.line for row in rows] == [3, 7]


def test_two_missing_marks_do_not_swallow_the_records_between_them():
    text = '1,b,c,"d\n2,b,c,d\n3,b,c,d"\n4,b,c,d\n'

    assert found(text, width=4) == [
        (2, "open_quote"),
        ["2", "b", "c", "d"],
        ["3", "b", "c", 'd"'],
        ["4", "b", "c", "d"],
    ]


def test_a_quoted_cell_over_too_many_lines_is_refused_line_by_line():
    inner = "note\n" * 300

    rows = found(f'1,b,"c\n{inner}c"\n2,b,c\n')

    assert rows[0] == (2, "open_quote")
    assert rows[-1] == ["2", "b", "c"]
    assert len(rows) == 303


def test_a_row_of_empty_cells_is_a_blank_line():
    blank = "1,b,c\n,,\n , ,\t\n\ufeff,\u200b,\u00a0\n\ufeff\n2,b,c"

    assert found(blank) == [["1", "b", "c"], ["2", "b", "c"]]


def test_a_cell_beyond_the_limit_is_refused_and_its_text_kept():
    long = "x" * 2000

    rows = read(f"1,{long},c\n2,b,c\n", max_cell_bytes=1024)

    assert rows[0] == Malformed(2, "cell_too_long", f"1,{long},c")
    assert isinstance(rows[1], Record)


def test_a_total_line_is_set_aside_where_the_settings_say_so():
    text = "1,b,c\n,SUM of all,3\n"

    assert found(text, total_words=("sum",)) == [["1", "b", "c"], (3, "total_line")]


CELL = st.text(
    alphabet=st.sampled_from("aZ09 ,;\"'\n\té–_")
    | st.characters(exclude_categories=["Cs", "Cc"]),
    max_size=8,
)


@given(
    rows=st.lists(st.lists(CELL, min_size=3, max_size=3), min_size=1, max_size=8),
    separator=st.sampled_from(",;\t|"),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_what_a_csv_writer_wrote_is_read_back(rows, separator, quoting):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, quoting=quoting, lineterminator="\n")
    writer.writerows([["n", *row] for row in rows])

    result = read(text.getvalue(), width=4, separator=separator)

    # a line inside a cell that looks like a record is doubted, and refused
    doubted = any(
        cell.count(separator) >= 3 and "\n" in cell for r in rows for cell in r
    )
    if not doubted:
        assert [list(row.cells) for row in result] == [["n", *row] for row in rows]
