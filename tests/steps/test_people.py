"""What is told of technicians and gauges, on small fleets written by hand."""

import math

import polars as pl
import pytest

from fleetbelt.intake import Outcome
from fleetbelt.store import frames
from fleetbelt.store.database import connect
from fleetbelt.units import NEWTONS_PER
from tests.conftest import Compute, Table
from tests.fleets import services

CALIBRATED_AT = {
    "gauge_id": "G-01",
    "span_in": 9,
    "unit": "lbf",
    "technician_id": "T-09",
}


def calibrations(day: str, ratio: float) -> list[dict[str, object]]:
    return [
        {**CALIBRATED_AT, "date": day, "reference": load, "reading": load * ratio * off,
         "run": run}
        for load in (100, 150)
        for run, off in ((1, 1.002), (2, 0.998))
    ]  # fmt: skip


def technicians(table: Table) -> dict[str, dict[str, object]]:
    rows = table("results.technician_results").rows(named=True)
    return {row["technician_id"]: row for row in rows}


def test_a_setting_counts_for_who_made_it_and_holds_at_the_next_reading(
    compute: Compute,
):
    table = compute(
        services=services(
            {"action": "retension", "reading_found": 80, "reading_left": 115},
            {"date": "2020-06-01", "odometer_mi": 15_000, "reading_found": 110,
             "technician_id": "T-02"},
        )
    )  # fmt: skip
    people = technicians(table)

    assert people["T-01"]["settings"] == 1
    assert people["T-01"]["in_spec_share"] == 1.0
    assert (people["T-01"]["hold_n"], people["T-01"]["hold_share"]) == (1, 1.0)
    assert people["T-01"]["standing"] == "too_few"
    assert people["T-02"]["settings"] == 0
    assert people["T-02"]["in_spec_share"] is None


def test_a_setting_left_under_its_range_is_not_asked_to_hold(compute: Compute):
    table = compute(
        services=services(
            {"action": "retension", "reading_left": 80},
            {"date": "2020-06-01", "odometer_mi": 15_000, "reading_found": 78},
        )
    )

    assert technicians(table)["T-01"]["hold_n"] == 0
    assert technicians(table)["T-01"]["in_spec_share"] == 0.0


def test_what_was_set_again_before_it_was_read_is_not_held_against_anyone(
    compute: Compute,
):
    table = compute(
        services=services(
            {"action": "retension", "reading_left": 115},
            {"date": "2020-03-01", "odometer_mi": 12_000, "action": "retension",
             "technician_id": "T-02"},
            {"date": "2020-06-01", "odometer_mi": 15_000, "reading_found": 70},
        )
    )  # fmt: skip

    assert technicians(table)["T-01"]["hold_n"] == 0


def test_a_run_in_recheck_by_another_counts_for_who_fitted_the_belt(compute: Compute):
    fitted = {"action": "install", "reading_left": 175}
    table = compute(
        services=services(
            fitted,
            {"date": "2020-01-02", "odometer_mi": 10_050, "action": "recheck",
             "reading_found": 120, "run_minutes": 10, "technician_id": "T-02"},
            {"date": "2020-06-01", "odometer_mi": 30_000, **fitted,
             "removal_reason": "worn"},
            {"date": "2020-09-01", "odometer_mi": 32_000, "reading_found": 115},
            {"date": "2021-01-01", "odometer_mi": 50_000, **fitted,
             "removal_reason": "worn"},
            {"date": "2021-01-02", "odometer_mi": 50_200, "reading_found": 115},
        )
    )  # fmt: skip
    person = technicians(table)["T-01"]

    assert person["run_in_installs"] == 2
    assert person["run_in_recheck_share"] == 0.5
    assert technicians(table)["T-02"]["run_in_recheck_share"] is None


def test_a_wrong_range_and_an_unknown_gauge_leave_the_habit_but_are_counted(
    compute: Compute,
):
    set_to = {"action": "retension", "reading_left": 115}
    table = compute(
        services=services(
            {**set_to},
            {**set_to, "odometer_mi": 11_000, "spec_applied": "new"},
            {**set_to, "odometer_mi": 12_000, "gauge_id": "G-77"},
            {**set_to, "odometer_mi": 13_000, "span_in": 20},
        ),
        gauges=[{"gauge_id": "G-01", "method": "push", "unit": "lbf"}],
        calibrations=calibrations("2019-12-01", 1.0),
    )

    assert table("marts.technician_cells")["n"].sum() == 1
    assert technicians(table)["T-01"]["settings"] == 4


def test_retensions_tell_what_was_needless_and_what_stayed_under(compute: Compute):
    table = compute(
        services=services(
            {"action": "retension", "reading_found": 80, "reading_left": 90},
            {"action": "retension", "odometer_mi": 11_000, "reading_found": 110,
             "reading_left": 120, "labour_minutes": 14},
        )
    )  # fmt: skip
    (row,) = table("results.technician_retensions").rows(named=True)

    assert (row["retensions"], row["found_under"], row["left_under"]) == (2, 1, 1)
    assert (row["stayed_under"], row["stayed_under_share"]) == (1, 1.0)
    assert (row["seen_in_range"], row["moved_in_range"]) == (1, 1)
    assert row["moved_in_range_share"] == 1.0
    assert 0 < row["moved_in_range_lo"] < row["moved_in_range_hi"] == 1
    assert row["found_place"] == pytest.approx(((80 - 95) / 40 + (110 - 95) / 40) / 2)
    assert row["left_place"] == pytest.approx(((90 - 95) / 40 + (120 - 95) / 40) / 2)
    assert (row["timed"], row["median_minutes"]) == (1, 14.0)


def test_who_never_found_a_belt_under_has_no_share_of_those_left_under(
    compute: Compute,
):
    table = compute(services=services({"reading_found": 110}))
    (row,) = table("results.technician_retensions").rows(named=True)

    assert (row["retensions"], row["seen_in_range"], row["moved_in_range"]) == (0, 1, 0)
    assert row["stayed_under_share"] is None
    assert row["median_minutes"] is None


def complaint(day: str, mile: float) -> dict[str, object]:
    return {
        "complaint_id": f"C{mile}",
        "date": day,
        "vehicle_id": "V1",
        "odometer_mi": mile,
        "noise": "squeal",
    }


def test_complaints_count_for_the_last_work_in_its_first_5000_miles(compute: Compute):
    """On its mile: of what was before; then T-01's, then T-02's, then nobody's."""
    table = compute(
        services=services(
            {"action": "install", "reading_left": 175},
            {
                "action": "retension",
                "date": "2020-06-01",
                "odometer_mi": 13_000,
                "reading_left": 115,
                "technician_id": "T-02",
            },
            {"date": "2021-06-01", "odometer_mi": 40_000, "reading_found": 110},
        ),
        complaints=[
            complaint("2020-01-01", 10_000),
            complaint("2020-04-01", 12_000),
            complaint("2020-06-01", 13_000),
            complaint("2020-10-01", 18_000),
            complaint("2020-10-02", 18_001),
        ],
    )
    rows = {
        row["technician_id"]: row
        for row in table("results.technician_complaints").rows(named=True)
    }

    assert (rows["T-01"]["miles"], rows["T-01"]["complaints"]) == (3_000, 2)
    assert (rows["T-02"]["miles"], rows["T-02"]["complaints"]) == (5_000, 1)
    assert rows["T-01"]["expected"] == pytest.approx(3 * 3_000 / 8_000)
    assert rows["T-02"]["expected"] == pytest.approx(3 * 5_000 / 8_000)
    assert {row["standing"] for row in rows.values()} == {"too_few"}


def test_without_complaints_nothing_is_expected_and_nobody_stands_out(
    compute: Compute,
):
    table = compute(
        services=services(
            {"action": "install", "reading_left": 175},
            {"date": "2021-06-01", "odometer_mi": 40_000, "reading_found": 110},
        )
    )
    (row,) = table("results.technician_complaints").rows(named=True)

    assert (row["complaints"], row["expected"], row["ratio"]) == (0, 0.0, None)
    assert row["standing"] == "too_few"


def test_the_recall_holds_the_records_between_the_two_calibrations(compute: Compute):
    """A jump of 8 %: readings on from the good one up to the one that shows it."""
    days = ("2019-06-01", "2020-01-01", "2020-02-01", "2020-05-01", "2020-07-01")
    table = compute(
        services=services(
            *({"date": day, "odometer_mi": 10_000 + 1_000 * n, "reading_found": 100}
              for n, day in enumerate(days))
        ),
        gauges=[{"gauge_id": "G-01", "method": "push", "unit": "lbf"}],
        calibrations=calibrations("2020-01-01", 1.0) + calibrations("2020-06-01", 1.08),
    )  # fmt: skip
    recall = table("results.gauge_recall").sort("service_id")

    assert recall["service_id"].to_list() == ["S3", "S4"]
    assert recall["tension_before_n"].to_list() == pytest.approx(
        [100 * NEWTONS_PER["lbf"]] * 2, rel=1e-4
    )
    ratio = recall["tension_after_n"] / recall["tension_before_n"]
    assert ratio.to_list() == pytest.approx([1 / 1.08] * 2, rel=1e-4)
    assert recall["verdict_before"].to_list() != recall["verdict_after"].to_list()


def test_readings_are_corrected_by_what_the_gauge_was_on_their_day(compute: Compute):
    """True, then 8 % high, jumped nobody knows when: before, half-way, after."""
    days = ("2019-12-31", "2020-04-01", "2020-07-01")
    table = compute(
        services=services(
            *({"date": day, "odometer_mi": 10_000 + 1_000 * n, "reading_found": 108}
              for n, day in enumerate(days))
        ),
        gauges=[{"gauge_id": "G-01", "method": "push", "unit": "lbf"}],
        calibrations=calibrations("2020-01-01", 1.0) + calibrations("2020-07-01", 1.08),
    )  # fmt: skip
    readings = table("results.tension_readings").sort("service_id")
    u = (readings["tension_u_n"] / readings["tension_n"]).to_list()

    way = 91 / 182
    assert readings["correction"].to_list() == pytest.approx(
        [1.0, 1.08**-way, 1 / 1.08], rel=1e-3
    )
    assert u[1] > 0.03
    assert max(u[0], u[2]) < 0.03


def test_a_gauge_that_did_not_change_recalls_nothing(compute: Compute):
    table = compute(
        services=services({"date": "2020-03-01", "reading_found": 100}),
        gauges=[{"gauge_id": "G-01", "method": "push", "unit": "lbf"}],
        calibrations=calibrations("2020-01-01", 1.0) + calibrations("2020-06-01", 1.0),
    )

    assert table("results.gauge_recall").is_empty()


def test_the_study_s_shares_sum_to_one(sample: Outcome):
    with connect(sample.database, read_only=True) as connection:
        study = frames.read(connection, "from results.gauge_study")
    parts = study.filter(
        pl.col("source").is_in(["gauge", "technician", "interaction", "repeatability"])
    )

    assert math.isclose(parts["share"].sum(), 1.0)
