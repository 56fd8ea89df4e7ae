"""Fleets that lack something, or attack: by the command, then as a reader sees them."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from fleetbelt.cli import app
from tests.fleets import (
    DRIVE,
    NEW_RANGE,
    SERVICE,
    USED_RANGE,
    VEHICLE,
    Row,
    write_fleet,
)
from tests.render import factory
from tests.render.reading import Reader

Fleet = dict[str, list[Row]]
VISITS: tuple[tuple[str, int, str, Row], ...] = (
    ("2020-01-10", 10_000, "install", {"reading_left": 175, "gauge_id": "G-01"}),
    ("2020-01-10", 10_004, "recheck", {"reading_found": 130, "reading_left": 118}),
    ("2020-09-01", 19_000, "inspect", {"reading_found": 104}),
    ("2021-03-01", 26_000, "retension", {"reading_found": 92, "reading_left": 120}),
    ("2021-12-01", 38_000, "install", {"removal_reason": "worn", "reading_left": 150}),
    ("2022-02-01", 41_000, "retension", {"reading_found": 88, "reading_left": 80}),
)
NO_NUMBER = re.compile(
    r"\b(?:NaN|nan|null|undefined|Infinity|inf)\b|^None$", re.MULTILINE
)


def whole(n_vehicles: int = 12) -> Fleet:
    """A small fleet with a row in every file."""
    vehicles: list[Row] = [
        {**VEHICLE, "vehicle_id": f"V{i}", "depot": f"Yard {i % 2}", "duty": "urban"}
        for i in range(n_vehicles)
    ]
    services: list[Row] = [
        {**SERVICE, "service_id": f"S{i}-{k}", "vehicle_id": f"V{i}", "date": date,
         "odometer_mi": miles + 10 * i, "action": action, "note": "checked",
         "run_minutes": 6, **read}
        for i in range(n_vehicles)
        for k, (date, miles, action, read) in enumerate(VISITS)
    ]  # fmt: skip
    seen = {"date": "2020-06-01", "vehicle_id": "V0", "odometer_mi": 15_000}
    return {
        "vehicles": vehicles,
        "drives": [{**DRIVE, "description": "front", "part_number": "P1"}],
        "specs": [NEW_RANGE, USED_RANGE],
        "services": services,
        "gauges": [{"gauge_id": "G-01", "method": "finger", "shop": "North shop"}],
        "calibrations": [
            {"gauge_id": "G-01", "date": "2019-12-01", "span_in": span, "run": run,
             "reference": 185, "reading": reading + run, "unit": "lbf",
             "technician_id": "T-01"}
            for span, reading in ((7, 167.5), (12, 182))
            for run in (0, 1)
        ],
        "complaints": [{"complaint_id": "C1", "noise": "squeal", **seen}],
        "repairs": [{"repair_id": "R1", "accessory": "idler", "fault": "bearing",
                     **seen}],
        "odometers": [{"vehicle_id": "V0", "date": "2021-12-30",
                       "odometer_mi": 40_000}],
    }  # fmt: skip


def without(*files: str) -> Callable[[], Fleet]:
    return lambda: {name: rows for name, rows in whole().items() if name not in files}


def no_ranges() -> Fleet:
    """`specs` is a required file: it is there, and its rows are of another drive."""
    drives: list[Row] = [DRIVE, {**DRIVE, "drive_id": "D9"}]
    ranges: list[Row] = [{**row, "drive_id": "D9"} for row in (NEW_RANGE, USED_RANGE)]
    return whole() | {"drives": drives, "specs": ranges}


def refused() -> Fleet:
    """A required cell of every row is empty."""
    return {
        name: [{**row, next(iter(row)): ""} for row in rows]
        for name, rows in whole().items()
    }


def hostile() -> Fleet:
    """Every text that is no code word and no date attacks; equal texts stay equal."""
    codes = {"action", "belt_state", "unit", "reading_unit", "date", "duty", "noise",
             "removal_reason", "alternator_pulley", "in_service_date", "accessory",
             "fault", "method"}  # fmt: skip

    def attack(name: str, value: object) -> object:
        if not isinstance(value, str) or name in codes:
            return value
        text = factory.HOSTILE[sum(map(ord, value)) % len(factory.HOSTILE)]
        return f"{text} {value}"

    return {
        table: [
            {name: attack(name, value) for name, value in row.items()} for row in rows
        ]
        for table, rows in whole().items()
    }


FLEETS: dict[str, Callable[[], Fleet]] = {
    "one vehicle": lambda: whole(1),
    "no complaints": without("complaints", "repairs"),
    "no calibrations": without("calibrations"),
    "no gauges": without("gauges", "calibrations"),
    "no ranges": no_ranges,
    "all refused": refused,
    "hostile": hostile,
}
SAYS = {
    "one vehicle": ("workshop", "so no share is drawn"),
    "no complaints": ("fleet", "complaint"),
    "no calibrations": ("gauges", "No gauge was calibrated"),
    "no gauges": ("gauges", "No gauge was calibrated"),
    "no ranges": ("index", "No install has both a tension and a published range."),
    "all refused": ("fleet", "No belt is in the records."),
    "hostile": ("records", "rows read were taken in"),
}


@pytest.fixture(scope="module", params=list(FLEETS))
def fleet(request, tmp_path_factory) -> tuple[str, Path]:
    """Run a fleet by the command; return its name and its folder of pages."""
    folder = tmp_path_factory.mktemp("fleet")
    write_fleet(folder / "records", **FLEETS[request.param]())
    (folder / "records" / "fleetbelt.toml").write_text(
        '[plan]\ncurrency = "<b>$</b>"\n', encoding="utf-8"
    )
    call = ["run", str(folder / "records"), "--out", str(folder / "out")]
    answer = CliRunner().invoke(app, [*call, "--accept-refusals"])
    assert answer.exit_code == 0, answer.output
    return request.param, folder / "out" / "pages"


def shown(page: Any) -> str:
    """Return all that a reader can bring onto the page."""
    page.evaluate("document.querySelectorAll('details').forEach((d) => d.open = true)")
    for story in page.locator(".open").all()[:1]:
        story.click()
    return str(page.evaluate("document.body.innerText"))


@pytest.mark.browser
def test_every_page_of_an_odd_fleet_makes_sense_and_runs_nothing(browser, fleet):
    name, pages = fleet
    context = browser.new_context(viewport={"width": 390, "height": 900})
    reader = Reader(context)
    texts = {}
    for path in sorted(pages.glob("*.html")):
        page = reader.open(pages, path.stem)
        texts[path.stem] = shown(page)

        assert page.evaluate("window.ran") is None, path.stem
        assert page.locator("img, main b").count() == 0, path.stem
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path.stem
        assert not NO_NUMBER.findall(texts[path.stem]), path.stem
    context.close()

    where, words = SAYS[name]
    assert words in texts[where].replace("\xa0", " ")
    assert reader.heard == []
    assert [url for url in reader.asked if not url.startswith(("data:", "blob:"))] == []


def test_a_file_of_refused_rows_ends_the_call_unless_it_is_accepted(tmp_path):
    write_fleet(tmp_path / "records", **refused())

    answer = CliRunner().invoke(
        app, ["run", str(tmp_path / "records"), "--out", str(tmp_path / "out")]
    )

    assert answer.exit_code != 0
    assert not (tmp_path / "out").exists()
