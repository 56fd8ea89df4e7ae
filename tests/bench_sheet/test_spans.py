"""Spans by length and by name."""

import polars as pl
import pytest

from fleetbelt.belt.drive import Drive, lay_out
from fleetbelt.bench.spans import find_span, in_words
from fleetbelt.errors import InputError
from tests.bench_sheet.conftest import TRIANGLE


def drive(*rows):
    frame = pl.DataFrame(rows or TRIANGLE, infer_schema_length=None)
    return lay_out(frame.with_columns(has_gauge_access=pl.col("gauge_access") == "yes"))


@pytest.mark.parametrize(
    ("text", "length_mm"),
    [
        ("7in", 177.8),
        ("178mm", 178),
        (" 7.5 in ", 190.5),
        ('12"', 304.8),
        ("9IN", 228.6),
    ],
)
def test_a_length_is_read_with_its_unit(text, length_mm):
    assert find_span(text, Drive()).length_mm == pytest.approx(length_mm)


@pytest.mark.parametrize("text", ["7", "", "mm", "-3mm", "0mm", "7 cm", "1e3mm", "nan"])
def test_a_length_without_a_unit_that_is_known_is_refused(text):
    with pytest.raises(InputError, match="no length"):
        find_span(text, Drive(fault="no pulleys"))


@pytest.mark.parametrize(
    "text",
    ["water_pump-crankshaft", "crankshaft-water_pump", "Water pump-CRANKSHAFT"],
)
def test_a_span_is_named_by_its_two_neighbours_in_either_order(text):
    span = find_span(text, drive())

    assert span.length_mm == pytest.approx(400, abs=1e-9)
    assert (span.number, span.is_accessible) == (3, True)


def test_a_length_near_a_span_of_the_drive_is_that_span_with_the_length_given():
    span = find_span("398mm", drive())

    assert (span.name, span.length_mm) == ("water_pump-crankshaft", 398)


def test_a_length_far_from_every_span_has_no_name():
    assert find_span("350mm", drive()).name == ""


def test_two_pulleys_that_are_no_neighbours_are_refused_with_the_spans_there_are():
    with pytest.raises(InputError) as refused:
        find_span("alternator-compressor", drive())

    assert "is it alternator-water_pump?" in refused.value.what
    assert "not reached by a gauge" in refused.value.where


def test_accessories_that_come_twice_are_numbered():
    idlers = [
        {**TRIANGLE[0], "accessory": "idler"},
        TRIANGLE[1],
        {**TRIANGLE[2], "accessory": "idler"},
    ]

    names = [span.name for span in drive(*idlers).spans]

    assert names == ["idler_1-alternator", "alternator-idler_2", "idler_2-idler_1"]


def test_the_spans_in_reach_come_longest_first():
    assert [s.number for s in drive().reached] == [3, 1]


def test_pulleys_that_overlap_leave_the_drive_without_a_drawing_and_say_why():
    found = drive(TRIANGLE[0], {**TRIANGLE[1], "x_mm": 20}, TRIANGLE[2])

    assert found.layout is None
    assert "overlap" in found.fault


def test_a_span_is_said_in_millimetres_and_inches():
    span = drive().spans[0]

    assert in_words(span) == "crankshaft-alternator, 300 mm (11.8 in)"
