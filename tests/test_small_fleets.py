"""Fleets with hardly anything in them: no crash, no NaN, and a sentence instead."""

import re
from collections.abc import Mapping
from pathlib import Path

import polars as pl
import polars.selectors as cs
import pytest

from fleetbelt.contract import RESULTS
from fleetbelt.render import NEEDED
from fleetbelt.render.frames import Frames
from fleetbelt.render.pages import PAGES
from fleetbelt.render.section import plain_text
from fleetbelt.store import frames
from fleetbelt.store.database import connect
from tests.conftest import Compute
from tests.fleets import NEW_RANGE, SERVICE, VEHICLE, Row, services

INSTALL: Row = {"action": "install", "reading_left": 175, "odometer_mi": 10_000}
OTHER_RANGE: Row = {**NEW_RANGE, "drive_id": "D2"}
LATER: Row = {"date": "2021-01-01", "odometer_mi": 20_000, "reading_found": 110}
BROKEN: Row = {**LATER, "action": "remove", "removal_reason": "broken"}
SOUND: Row = {**LATER, "action": "remove", "removal_reason": "other_work"}
SQUEAL: Row = {
    "complaint_id": "C1",
    "date": "2020-06-01",
    "vehicle_id": "V1",
    "odometer_mi": 15_000,
    "noise": "squeal",
}


def copies(rows: list[Row], n: int) -> dict[str, list[Row]]:
    """Return a fleet of n vehicles that all had this done."""
    return {
        "vehicles": [{**VEHICLE, "vehicle_id": f"V{i}"} for i in range(n)],
        "services": [
            {**SERVICE, **row, "vehicle_id": f"V{i}", "service_id": f"S{i}-{j}"}
            for i in range(n)
            for j, row in enumerate(rows)
        ],
    }


FLEETS: dict[str, dict[str, list[Row]]] = {
    "one vehicle, retired": {
        "vehicles": [{**VEHICLE, "retired_date": "2019-01-01"}],
        "services": services(INSTALL),
    },
    "a belt without range": {"services": services(INSTALL), "specs": [OTHER_RANGE]},
    "two drives, one unknown": {
        "services": services(INSTALL, {**LATER, "drive_id": "D9"})
    },
    "one vehicle, running": {"services": services(INSTALL)},
    "one vehicle, one failure": {"services": services(INSTALL, BROKEN)},
    "no failure": copies([INSTALL, SOUND], 5),
    "all alike and broken": copies([INSTALL, BROKEN], 5),
    "no tensions": copies([{**INSTALL, "reading_left": None}, BROKEN], 5),
    "all left loose": copies([{**INSTALL, "reading_left": 100}, BROKEN], 5),
    "a complaint of a belt never seen": {"complaints": [SQUEAL]},
    "one complaint": {**copies([INSTALL, LATER], 5), "complaints": [SQUEAL]},
    "one band empty, two others": {
        "vehicles": [{**VEHICLE, "vehicle_id": f"V{i}"} for i in range(8)],
        "services": [
            {**SERVICE, **row, "vehicle_id": f"V{i}", "service_id": f"S{i}-{j}"}
            for i in range(8)
            for j, row in enumerate(
                [{**INSTALL, "reading_left": 175 if i % 2 else 230}, BROKEN]
            )
        ],
    },
    "readings that no belt has": copies(
        [
            {**INSTALL, "reading_left": 99_999_999_999_999},
            {
                **LATER,
                "action": "retension",
                "reading_found": 1,
                "reading_left": 90_000_000_000_000,
            },
        ],
        12,
    ),
    "spans that no drive has": copies(
        [{**INSTALL, "span_in": 9_999_999_999_999}, {**LATER, "span_in": "0.000001"}],
        12,
    ),
    "complaints and no visit but one": {
        "services": services({"date": "2019-01-01", "odometer_mi": 1_000}),
        "complaints": [SQUEAL],
    },
    "loose and heard": {
        **copies([{**INSTALL, "reading_left": 100}, LATER], 5),
        "complaints": [SQUEAL],
    },
}


@pytest.mark.parametrize("kind", FLEETS)
def test_no_result_is_nan_and_what_cannot_be_told_has_a_sentence(
    compute: Compute, tmp_path: Path, kind: str
):
    compute(**FLEETS[kind])
    results = [f"results.{result.name}" for result in RESULTS]
    with connect(tmp_path / "fleet.duckdb", read_only=True) as connection:
        tables = frames.existing(connection, {*results, *NEEDED})

    for name in results:
        for column in tables[name].select(cs.float()).iter_columns():
            assert column.drop_nulls().is_finite().all(), f"{name}.{column.name}"
    assert [said for said in page_words(tables) if wrong(said)] == []
    avoidable = tables["results.noise_avoidable"]
    assert avoidable.height == 1
    assert untold(avoidable, "share").is_empty()
    assert untold(tables["results.life_effects"], "time_ratio").is_empty()


def page_words(tables: Mapping[str, pl.DataFrame]) -> list[str]:
    """Return what each section of each page answers, or misses."""
    pages = [make(Frames(tables)) for make in PAGES]
    sections = [section for page in pages for section in page.sections]
    return [plain_text(section.answer or section.missing) for section in sections]


def wrong(said: str) -> bool:
    return not said or re.search(r"\b(nan|inf|None(?!:| of))\b", said) is not None


def untold(table: pl.DataFrame, number: str) -> pl.DataFrame:
    """Return the rows with neither a number nor a reason."""
    return table.filter(pl.col(number).is_null() & pl.col("reason").is_null())
