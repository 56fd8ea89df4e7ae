"""Cards of gauges and drawings of drives: what is drawn, and what is said instead."""

import polars as pl
import pytest

from fleetbelt.render.drives import drives
from fleetbelt.render.frames import Frames
from fleetbelt.render.gauge_board import board, cards
from fleetbelt.render.section import plain_text
from tests.render.factory_gauges import BOARD, LINES, RANGES, SQUARE


def frames(**tables: pl.DataFrame) -> Frames:
    return Frames({name.replace("__", "."): table for name, table in tables.items()})


def test_a_card_has_its_points_its_span_s_ends_and_its_dates():
    (card,) = cards(frames(results__gauge_board=BOARD, fitted__gauge_lines=LINES))

    assert card["gauge_id"] == "G1"
    assert card["svg"].count("<circle") == 2
    assert '<tspan data-kind="span" value="150"' in card["svg"]
    assert "0.930 at 150 mm; 0.990 at 400 mm" in card["svg"]
    assert "last calibrated 2024-01-05, due 2025-01-04" in plain_text(card["said"])


def test_the_board_puts_what_needs_something_first():
    section = board(frames(results__gauge_board=BOARD))

    assert section.table is not None
    assert section.table.frame["gauge_id"].to_list() == ["G<2>", "G1"]
    assert "Never calibrated: G<2>." in plain_text(section.answer)


def test_without_gauges_the_board_says_what_is_missing():
    assert "gauge_id" in plain_text(board(frames()).missing)
    assert cards(frames()) == []


def test_a_drive_names_the_longest_span_in_reach_and_its_estimates():
    found = drives(frames(staging__pulleys=SQUARE, history__ranges=RANGES))
    (drive,) = found["drawn"]

    assert plain_text(drive["best"]) == "span 2, alternator-<i>pump, 500\u00a0mm"
    assert "measure here" in drive["svg"]
    assert "<i>" not in drive["svg"]
    crank = drive["pulleys"][0]
    assert crank["wrap"] == "90°"
    assert [plain_text(words) for words in crank["hub"]] == ["566 to 849\u00a0N"]
    assert [plain_text(words) for words in crank["held"]] == ["306 to 458\u00a0N"]


def test_a_drive_that_cannot_be_and_one_without_a_range_are_said():
    on_one_spot = SQUARE.with_columns(x_mm=pl.lit(0.0), y_mm=pl.lit(0.0))
    faulty = drives(frames(staging__pulleys=on_one_spot))

    assert faulty["drawn"] == []
    assert faulty["faults"][0]["drive_id"] == "D1"
    assert drives(frames(staging__pulleys=SQUARE))["drawn"][0]["states"] == []
    assert drives(frames()) == {"drawn": [], "rest": [], "faults": []}


@pytest.mark.parametrize("reached", [True, False])
def test_without_a_span_in_reach_none_is_named(reached: bool):
    pulleys = SQUARE.with_columns(has_gauge_access=pl.lit(reached))
    (drive,) = drives(frames(staging__pulleys=pulleys))["drawn"]

    assert bool(drive["best"]) == reached
