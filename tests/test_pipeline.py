"""The whole way: repeatable to the bit, and it finds what the sample fleet hides."""

import json
import re
from datetime import date
from pathlib import Path

import duckdb
import openpyxl
import polars as pl
import pytest
from icalendar import Calendar

import fleetbelt
from fleetbelt import pipeline
from fleetbelt.errors import InputError, PlaceError
from fleetbelt.intake import Outcome
from fleetbelt.render import NEEDED, render_pages
from fleetbelt.resources import bundled
from fleetbelt.simulation import simulate
from fleetbelt.store import database, frames
from fleetbelt.store.database import connect
from fleetbelt.store.export import write_tables
from tests.conftest import Compute, computed
from tests.fleets import services, write_fleet


def calibrated(readings: dict[float, float]) -> list[dict[str, object]]:
    """Three repeats of a 185 lbf load at each span; readings by span in inches."""
    return [
        {
            "gauge_id": "G-01",
            "date": "2019-12-01",
            "span_in": span_in,
            "reference": 185,
            "reading": reading + step,
            "unit": "lbf",
        }
        for span_in, reading in readings.items()
        for step in (-0.5, 0, 0.5)
    ]


@pytest.fixture(scope="module", params=[1, 8], ids="{} threads".format)
def again(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Outcome:
    """The bundled sample fleet once more, with another number of threads."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(database._CONFIG, "threads", request.param)
        return pipeline.run(bundled("sample_data"), tmp_path_factory.mktemp("again"))


def test_what_pages_read_of_a_table_is_all_that_they_show(
    sample: Outcome, tmp_path: Path
):
    made = []
    for place, names in (("whole", tuple(NEEDED)), ("read", NEEDED)):
        with connect(sample.database, read_only=True) as connection:
            tables = frames.existing(connection, names)
        (tmp_path / place).mkdir()
        pages = render_pages(tables, tmp_path / place)
        made.append(({page.name: page.read_bytes() for page in pages}, tables))

    (whole, tables), (read, parts) = made
    assert parts["results.data_notes"].height < tables["results.data_notes"].height
    assert read == whole


def test_the_same_records_give_the_same_tables(sample: Outcome, again: Outcome):
    first, second = fleetbelt.open(sample.database), fleetbelt.open(again.database)
    assert set(first) == set(second)
    for name, frame in first.items():
        times = [column for column in frame.columns if column == "loaded_at"]
        assert frame.drop(times).equals(second[name].drop(times)), name


def test_the_same_records_give_the_same_pages(sample: Outcome, again: Outcome):
    for page, other in zip(sample.pages, again.pages, strict=True):
        assert page.read_bytes() == other.read_bytes(), page.name


def test_the_same_records_give_the_same_accounts(sample: Outcome, again: Outcome):
    assert again.as_json()["files"] == sample.as_json()["files"]


def test_every_file_of_the_sample_is_accounted_for(sample: Outcome):
    files = fleetbelt.open(sample.database)["load_files"]

    accounted = pl.sum_horizontal("rows_loaded", "rows_quarantined", "rows_duplicate")
    assert files.select((accounted == pl.col("rows_read")).all()).item()
    assert files["rows_read"].sum() > 6_000
    assert files["rows_quarantined"].sum() >= 10


def test_the_results_are_written_as_parquet_and_csv(sample: Outcome):
    tables = sample.database.parent / "tables"
    results = fleetbelt.open(sample.database)

    for name, frame in results.items():
        assert pl.read_parquet(tables / f"{name}.parquet").height == frame.height
        assert (tables / f"{name}.csv").exists()


def test_the_plan_page_holds_the_plan_of_the_tables(sample: Outcome):
    tables = fleetbelt.open(sample.database)
    html = next(p for p in sample.pages if p.name == "plan.html").read_text("utf-8")
    data = re.search(r'"application/json" id="data">(.*?)</script>', html, re.DOTALL)

    assert data is not None
    sections = json.loads(data.group(1))["sections"]

    columns = {column["name"]: column for column in sections["jobs"]["columns"]}
    minutes, kinds = (columns["minutes"].get(name) for name in ("values", "kinds"))
    shown = [kinds[place] for place in minutes] if kinds else minutes
    assert len(shown) == tables["work_plan"].height
    assert sum(shown) == tables["work_plan"]["minutes"].sum()
    whole = tables["plan_depots"].filter(pl.col("depot") == "all").row(0, named=True)
    words = " ".join(re.sub(r"<[^>]*>", "", html).split())
    assert f"{whole['jobs_now']} jobs are due now" in words
    assert "Money here rests on placeholders" in words
    assert set(sections) == {
        "due", "by-week", "jobs", "without-room", "parts", "replacement-age",
        "cost-curve", "what-if", "assumptions",
    }  # fmt: skip


def test_the_plan_is_there_to_take_away(sample: Outcome):
    tables = sample.database.parent / "tables"
    plan = fleetbelt.open(sample.database)["work_plan"]

    sheets = openpyxl.load_workbook(tables / "work_plan.xlsx", read_only=True)
    events = Calendar.from_ical((tables / "work_plan.ics").read_bytes()).events

    rows = sum(sheet.max_row - 1 for sheet in sheets if sheet.title[:5] != "About")
    assert rows == plan.height
    weeks = plan.drop_nulls("week").select("depot", "week").n_unique()
    assert len(events) == max(weeks, 1)


@pytest.mark.parametrize(
    ("span_in", "correction", "source"),
    [
        (7, 74 / 67, "calibrated"),
        (12, 185 / 182, "calibrated"),
        (9, 1.0566, "between_spans"),
        (6.9, 74 / 67, "beyond_spans"),
        (12.1, 185 / 182, "beyond_spans"),
    ],
)
def test_the_dead_weight_check_corrects_the_readings(
    compute: Compute, span_in: float, correction: float, source: str
):
    """185 lbf reads 167.5 at 7 in and 182 at 12 in (common practice, no source)."""
    rows = calibrated({7: 167.5, 12: 182})
    found = {"reading_found": 110, "span_in": span_in}
    table = compute(calibrations=rows, services=services(found))

    reading = table("results.tension_readings").row(0, named=True)
    assert reading["correction"] == pytest.approx(correction, rel=5e-5)
    assert reading["correction_source"] == source


def test_a_reading_beyond_the_calibrated_spans_is_never_firm(compute: Compute):
    rows = calibrated({7: 167.5, 12: 182})
    found = {"reading_found": 40, "span_in": 5}
    table = compute(calibrations=rows, services=services(found))

    reading = table("results.tension_readings").row(0, named=True)
    assert reading["p_under"] > 0.8
    assert reading["verdict"] == "doubtful_low"


def test_another_calibration_moves_exactly_that_gauges_readings(tmp_path: Path):
    simulate(tmp_path / "a", n_vehicles=300, years=3, seed=8)
    first = computed(tmp_path / "a", tmp_path / "a.duckdb")
    readings = first("results.tension_readings")
    gauge = (
        first("history.readings")
        .filter(pl.col("correction_source").is_in(["calibrated", "between_spans"]))
        .group_by("gauge_id")
        .len()
        .sort("len", "gauge_id")["gauge_id"][-1]
    )
    calibrations = pl.read_csv(tmp_path / "a" / "calibrations.csv")
    calibrations.with_columns(
        reading=pl.col("reading")
        * pl.when(pl.col("gauge_id") == gauge).then(1.1).otherwise(1.0)
    ).write_csv(tmp_path / "a" / "calibrations.csv")

    second = computed(tmp_path / "a", tmp_path / "b.duckdb")

    key = ["service_id", "phase"]
    used = second("history.readings").select(*key, "gauge_id", "unit")
    both = readings.join(
        second("results.tension_readings"), on=key, suffix="_now"
    ).join(used, on=key)
    ratio = pl.col("tension_n_now") / pl.col("tension_n")
    is_its = (pl.col("gauge_id") == gauge) & (pl.col("unit") != "Hz")
    moved = both.filter(is_its.fill_null(value=False)).select(ratio)
    others = both.filter(~is_its.fill_null(value=False)).drop_nulls("tension_n")
    assert moved.height > 100
    assert moved.to_series().to_numpy() == pytest.approx(1 / 1.1, rel=1e-9)
    assert others.select((ratio - 1).abs().max()).item() == 0
    listed = second("results.watchlist")
    said = listed.filter(pl.col("detail").str.contains(f"Gauge {gauge} reads"))
    assert said.height > 0
    assert "gauge_reads_high" in set(said["reason"])


def test_the_watchlist_says_that_a_gauge_reads_high(compute: Compute):
    rows = calibrated({7: 220, 12: 205})
    retension = {"action": "retension", "reading_left": 100, "span_in": 7}
    table = compute(calibrations=rows, services=services(retension))

    (listed,) = table("results.watchlist").rows(named=True)
    assert listed["reason"] == "gauge_reads_high"
    assert "Gauge G-01 reads 19 % high on this span." in listed["detail"]


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        ([{"action": "retension", "reading_left": 80}], "left_under"),
        ([{"action": "install", "reading_left": 175}], "no_recheck"),
        (
            [
                {"action": "recheck", "reading_left": 115},
                {"reading_found": 85, "date": "2020-02-01"},
            ],
            "found_under_not_adjusted",
        ),
    ],
)
def test_the_watchlist_gives_the_first_reason_that_applies(
    compute: Compute, rows: list[dict[str, object]], reason: str
):
    """A used range set high above the new one makes a belt without recheck loose."""
    specs = [
        {"belt_state": state, "tension_min": low, "tension_max": high}
        for state, low, high in (("new", 170, 180), ("used", 95, 135))
    ]
    if reason == "no_recheck":
        specs[1] |= {"tension_min": 185, "tension_max": 200}
    named = [{"drive_id": "D1", "unit": "lbf", "source": "", **spec} for spec in specs]
    table = compute(specs=named, services=services(*rows))

    assert table("results.watchlist")["reason"].to_list() == [reason]


def test_a_fleet_without_calibrations_says_so(compute: Compute):
    table = compute(services=services({"reading_found": 110}))

    reading = table("results.tension_readings").row(0, named=True)
    assert (reading["correction"], reading["correction_source"]) == (1, "none")
    assert reading["tension_u_n"] / reading["tension_n"] > 0.08


def test_as_of_is_the_newest_record_unless_asked(compute: Compute):
    table = compute(services=services({"date": "2020-05-17"}))

    assert table("history.as_of")["as_of"].item() == date(2020, 5, 17)


def test_a_folder_without_the_needed_files_changes_nothing(tmp_path: Path):
    (tmp_path / "records").mkdir()

    with pytest.raises(InputError, match=r"vehicles"):
        pipeline.run(tmp_path / "records", tmp_path / "out")


def test_a_fleet_of_one_vehicle_and_no_readings_has_pages(tmp_path: Path):
    outcome = pipeline.run(write_fleet(tmp_path / "records"), tmp_path / "out")

    assert all(page.exists() for page in outcome.pages)


def test_while_pages_and_tables_are_written_the_engine_reads_no_other_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    folder = write_fleet(tmp_path / "records")
    refused = []

    def trying(connection: duckdb.DuckDBPyConnection, new: Path) -> None:
        for query in (f"from '{folder}/services.csv'", "set threads = 1"):
            try:
                connection.execute(query)
            except duckdb.Error as error:
                refused.append(str(error))
        write_tables(connection, new)

    monkeypatch.setattr("fleetbelt.store.export.write_tables", trying)

    pipeline.run(folder, tmp_path / "out")

    assert "disabled by configuration" in refused[0]
    assert "has been locked" in refused[1]
    assert (tmp_path / "out" / "tables" / "load_files.csv").exists()


def test_too_little_memory_for_the_results_is_the_places_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    def starved(*_: object) -> None:
        raise duckdb.OutOfMemoryException

    monkeypatch.setattr("fleetbelt.store.previous.keep", starved)

    with pytest.raises(PlaceError, match="the results are those of the last run"):
        pipeline.run(write_fleet(tmp_path / "records"), tmp_path / "out")

    with connect(tmp_path / "out" / "fleet.duckdb", read_only=True) as connection:
        held = connection.sql("select count(*) from typed.services").fetchall()
    assert held == [(1,)]
