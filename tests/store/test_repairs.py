"""Which belt a repair counts for, and which events count at all."""

import polars as pl

from tests.conftest import Compute, Table
from tests.fleets import DRIVE, NEW_RANGE, USED_RANGE, VEHICLE, Row, services

REPAIR: Row = {
    "date": "2020-06-01",
    "vehicle_id": "V1",
    "odometer_mi": 30_000,
    "accessory": "alternator",
    "fault": "bearing",
}
PULLEY: Row = {"x_mm": 0, "y_mm": 0, "diameter_mm": 60, "side": "ribbed"}


def repairs(*rows: Row) -> list[Row]:
    return [{**REPAIR, "repair_id": f"R{k}", **row} for k, row in enumerate(rows)]


def belts_of(table: Table) -> list[str]:
    return table("history.repair_belts").sort("repair_id")["belt_id"].to_list()


def test_a_repair_counts_for_the_belt_that_drives_the_accessory(compute: Compute):
    """By pulleys.csv; of an accessory on no drive, for that of the vehicle's own."""
    places = [("D1", "crankshaft"), ("D1", "alternator"), ("D2", "compressor")]
    pulleys = [
        {**PULLEY, "drive_id": drive, "position": k, "accessory": accessory}
        for k, (drive, accessory) in enumerate(places, start=1)
    ]
    install: Row = {"action": "install", "reading_left": 175}
    table = compute(
        drives=[DRIVE, {**DRIVE, "drive_id": "D2"}],
        pulleys=pulleys,
        services=services(
            {**install, "drive_id": "D2"},
            install,
            {"date": "2021-01-01", "odometer_mi": 60_000},
        ),
        repairs=repairs({}, {"accessory": "compressor"}, {"accessory": "water_pump"}),
    )

    assert belts_of(table) == ["V1/D1/1", "V1/D2/1", "V1/D1/1"]


def test_on_the_mile_of_a_change_a_repair_is_of_the_belt_that_came_off(
    compute: Compute,
):
    table = compute(
        services=services(
            {"action": "install"},
            {"action": "install", "date": "2020-06-01", "odometer_mi": 30_000,
             "removal_reason": "other_work"},
        ),
        repairs=repairs({}),
    )  # fmt: skip

    assert belts_of(table) == ["V1/D1/1"]


def test_bearings_and_other_faults_are_counted_apart_against_belts_in_range(
    compute: Compute,
):
    """20,000 mi in range with one bearing, 20,000 mi tight with three."""
    vehicles = [{**VEHICLE, "vehicle_id": f"V{k}"} for k in (1, 2)]
    visits = [
        {"vehicle_id": f"V{k}", "action": "install", "odometer_mi": 0,
         "reading_left": left}
        for k, left in ((1, 175), (2, 230))
    ]  # fmt: skip
    ends: list[Row] = [
        {"vehicle_id": f"V{k}", "date": "2021-01-01", "odometer_mi": 20_000}
        for k in (1, 2)
    ]
    at: Row = {"odometer_mi": 10_000}
    tight: Row = {**at, "vehicle_id": "V2"}
    table = compute(
        vehicles=vehicles,
        specs=[NEW_RANGE, USED_RANGE],
        services=services(*visits, *ends),
        repairs=repairs(at, tight, tight, tight, {**at, "fault": "seal"}),
    )

    rates = table("results.repair_rates").filter(model="all")
    counts = {
        (fault, band): n
        for fault, band, n in rates.select("fault", "band", "repairs").iter_rows()
    }
    assert (counts["bearing", "in_spec"], counts["bearing", "tight"]) == (1, 3)
    assert (counts["other", "in_spec"], counts["other", "tight"]) == (1, 0)
    ratio = rates.filter(fault="bearing", band="tight")
    assert ratio["rate_ratio"].to_list() == [3.0]
    assert rates.filter(band="in_spec")["miles"].to_list() == [20_000, 20_000]


def test_without_repairs_there_are_no_rates_of_them(compute: Compute):
    """No file is not the same as no repair."""
    table = compute(services=services({"action": "install"}))

    assert table("results.repair_rates").is_empty()
    assert table("results.noise_rates").height > 0


def test_an_event_that_is_all_that_opens_the_watch_is_not_counted(compute: Compute):
    """Of a belt never seen fitted: its first known mile is the complaint's own."""
    heard: Row = {
        "complaint_id": "C1", "date": "2020-01-01", "vehicle_id": "V1",
        "odometer_mi": 10_000, "noise": "squeal",
    }  # fmt: skip
    later = {**heard, "complaint_id": "C2", "odometer_mi": 12_000, "date": "2020-02-01"}
    table = compute(
        services=services({"date": "2020-06-01", "odometer_mi": 30_000}),
        complaints=[heard, later],
        repairs=repairs({"odometer_mi": 10_000, "date": "2020-01-01"}),
    )

    belts = table("marts.belt_miles")
    assert belts["miles"].to_list() == [20_000]
    assert belts["complaints"].to_list() == [1]
    assert belts["bearing"].to_list() == [0]
    assert table("marts.noise_events")["complaint_id"].to_list() == ["C2"]
    assert belts.filter(pl.col("entry_mi").is_null()).height == 1
