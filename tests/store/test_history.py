"""The meanings that the contract gives to belts, ranges and intervals."""

from datetime import date

import polars as pl
import pytest

from fleetbelt.units import NEWTONS_PER
from tests.conftest import Compute, Table
from tests.fleets import NEW_RANGE, USED_RANGE, VEHICLE, Row, services

LBF = NEWTONS_PER["lbf"]


def belt(table: Table, belt_id: str = "V1/D1/1") -> dict[str, object]:
    rows = table("results.belts").filter(pl.col("belt_id") == belt_id)
    assert rows.height == 1
    return rows.row(0, named=True)


def install(**more: object) -> Row:
    return {"action": "install", "reading_left": 175, **more}


def test_a_belt_that_broke_lived_exactly_to_that_odometer(compute: Compute):
    table = compute(
        services=services(
            install(),
            install(date="2021-01-01", odometer_mi=70_000, removal_reason="broken"),
        )
    )

    found = belt(table)
    assert (found["life_lo_mi"], found["life_hi_mi"]) == (60_000, 60_000)
    assert (found["end_kind"], found["removal_reason"]) == ("failed", "broken")
    assert found["entry_mi"] == 0


@pytest.mark.parametrize("reason", ["worn", "cracked", "noise"])
def test_a_belt_found_bad_failed_since_it_was_last_seen(compute: Compute, reason: str):
    table = compute(
        services=services(
            install(),
            {"date": "2020-06-01", "odometer_mi": 40_000},
            install(date="2021-01-01", odometer_mi=70_000, removal_reason=reason),
        )
    )

    found = belt(table)
    assert (found["life_lo_mi"], found["life_hi_mi"]) == (30_000, 60_000)
    assert found["end_kind"] == "failed"


def test_the_visit_that_finds_a_belt_bad_is_no_earlier_sighting(compute: Compute):
    table = compute(
        services=services(
            install(),
            {"date": "2021-01-01", "odometer_mi": 70_000},
            install(date="2021-01-01", odometer_mi=70_000, removal_reason="worn"),
        )
    )

    found = belt(table)
    assert (found["life_lo_mi"], found["life_hi_mi"]) == (0, 60_000)


@pytest.mark.parametrize(
    "reason", ["contaminated", "preventive", "other_work", "accident", "unknown", None]
)
def test_a_belt_removed_for_another_reason_is_censored_there(
    compute: Compute, reason: str | None
):
    table = compute(
        services=services(
            install(),
            install(date="2021-01-01", odometer_mi=70_000, removal_reason=reason),
        )
    )

    found = belt(table)
    assert (found["life_lo_mi"], found["life_hi_mi"]) == (60_000, None)
    assert found["end_kind"] == "censored"
    assert found["removal_reason"] == (reason or "unknown")


def test_a_belt_still_running_lived_to_its_last_sighting_at_least(compute: Compute):
    table = compute(
        services=services(install(), {"date": "2020-06-01", "odometer_mi": 40_000}),
        odometers=[{"vehicle_id": "V1", "date": "2020-09-01", "odometer_mi": 52_000}],
    )

    found = belt(table)
    assert (found["life_lo_mi"], found["life_hi_mi"]) == (30_000, None)
    assert found["last_odometer_mi"] == 42_000
    assert found["removal_reason"] is None


def test_a_belt_taken_off_and_put_back_goes_on_living(compute: Compute):
    table = compute(
        services=services(
            install(),
            {
                "action": "remove",
                "date": "2020-05-01",
                "odometer_mi": 30_000,
                "removal_reason": "other_work",
            },
            {"action": "refit", "date": "2020-05-02", "odometer_mi": 30_000},
            install(date="2021-01-01", odometer_mi=70_000, removal_reason="broken"),
        )
    )

    assert belt(table)["life_hi_mi"] == 60_000


def test_a_belt_removed_with_none_fitted_ends_there(compute: Compute):
    table = compute(
        services=services(
            install(),
            {
                "action": "remove",
                "date": "2020-05-01",
                "odometer_mi": 30_000,
                "removal_reason": "broken",
            },
            install(date="2021-01-01", odometer_mi=70_000),
        )
    )

    found = belt(table)
    assert (found["life_hi_mi"], found["removal_reason"]) == (20_000, "broken")


def test_a_belt_on_before_the_records_has_no_age(compute: Compute):
    table = compute(
        services=services(
            {},
            install(date="2021-01-01", odometer_mi=70_000, removal_reason="broken"),
        )
    )

    found = belt(table, "V1/D1/0")
    ages = ("entry_mi", "life_lo_mi", "life_hi_mi", "last_odometer_mi")
    assert [found[age] for age in ages] == [None] * 4
    assert found["removal_reason"] == "broken"


@pytest.mark.parametrize(
    ("odometer_mi", "is_factory_fitted"), [(15_100, True), (15_101, False)]
)
def test_the_first_belt_of_a_new_vehicle_was_fitted_at_the_works(
    compute: Compute, odometer_mi: float, is_factory_fitted: bool
):
    """Within 500 mi a day + 100 of an in-service date inside the records."""
    vehicles = [
        {**VEHICLE, "vehicle_id": "V0"},
        {**VEHICLE, "in_service_date": "2020-02-01"},
    ]
    table = compute(
        vehicles=vehicles,
        services=services(
            {"vehicle_id": "V0"}, {"date": "2020-03-02", "odometer_mi": odometer_mi}
        ),
    )

    found = belt(table, "V1/D1/0")
    assert found["install_odometer_mi"] == (0 if is_factory_fitted else None)
    assert found["life_lo_mi"] == (odometer_mi if is_factory_fitted else None)


def test_a_belt_fitted_before_the_complete_records_enters_late(compute: Compute):
    table = compute(
        settings="[belts]\nrecords_from = 2020-06-01\n",
        services=services(
            install(),
            {"date": "2020-03-01", "odometer_mi": 20_000, "reading_found": 120},
            {"date": "2020-07-01", "odometer_mi": 40_000, "reading_found": 115},
            {"date": "2020-09-01", "odometer_mi": 50_000, "reading_found": 112},
        ),
    )

    assert belt(table)["entry_mi"] == 30_000
    intervals = table("results.tension_intervals")
    assert intervals["from_service_id"].to_list() == ["S3"]


def test_a_belt_never_seen_inside_the_complete_records_leaves_the_life_model(
    compute: Compute,
):
    table = compute(
        settings="[belts]\nrecords_from = 2020-06-01\n",
        services=services(
            install(),
            install(date="2021-01-01", odometer_mi=70_000, removal_reason="broken"),
        ),
    )

    found = belt(table)
    assert (found["entry_mi"], found["life_lo_mi"]) == (None, None)
    assert belt(table, "V1/D1/2")["entry_mi"] == 0


def test_two_drives_of_a_vehicle_have_their_own_belts(compute: Compute):
    table = compute(
        services=services(
            install(),
            install(drive_id="D2"),
            {"drive_id": "D2", "date": "2020-05-01", "odometer_mi": 20_000},
        )
    )

    assert belt(table)["life_lo_mi"] == 0
    assert belt(table, "V1/D2/1")["life_lo_mi"] == 10_000


def test_the_run_in_recheck_says_what_a_belt_was_left_with(compute: Compute):
    table = compute(
        services=services(
            install(reading_left=150),
            {
                "action": "recheck",
                "run_minutes": 5,
                "reading_found": 120,
                "reading_left": 100,
            },
        )
    )

    found = belt(table)
    assert found["install_tension_n"] == pytest.approx(100 * LBF, rel=1e-12)
    assert (found["install_basis"], found["band"]) == ("recheck", "in_spec")


def test_a_recheck_without_adjustment_counts_as_found(compute: Compute):
    table = compute(
        services=services(
            install(), {"action": "recheck", "run_minutes": 6, "reading_found": 90}
        )
    )

    found = belt(table)
    assert found["install_tension_n"] == pytest.approx(90 * LBF, rel=1e-12)
    assert found["band"] == "under"


def test_a_recheck_before_five_minutes_counts_as_none(compute: Compute):
    """Common practice, no source beyond service manuals: five minutes of running."""
    table = compute(
        services=services(
            install(),
            {"action": "recheck", "run_minutes": 4.99, "reading_found": 172},
        )
    )

    assert belt(table)["install_basis"] == "install"
    readings = table("results.tension_readings").filter(pl.col("service_id") == "S2")
    assert readings["belt_state"].to_list() == ["new"]
    notes = table("results.data_notes")
    assert ("S2", "recheck_too_early") in notes.select("key", "code").rows()


@pytest.mark.parametrize(
    ("second", "basis"),
    [
        ({"odometer_mi": 11_000}, "recheck"),
        ({"odometer_mi": 11_001}, "install"),
    ],
)
def test_a_recheck_counts_within_a_thousand_miles(
    compute: Compute, second: Row, basis: str
):
    recheck = {"action": "recheck", "date": "2020-01-20", "reading_found": 110}
    table = compute(services=services(install(), {**recheck, **second}))

    assert belt(table)["install_basis"] == basis


def test_a_recheck_after_other_work_is_no_run_in_recheck(compute: Compute):
    table = compute(
        services=services(
            install(),
            {"action": "retension", "odometer_mi": 10_100, "reading_left": 115},
            {"action": "recheck", "odometer_mi": 10_200, "reading_found": 110},
        )
    )

    assert belt(table)["install_basis"] == "install"


@pytest.mark.parametrize(
    ("left", "band"),
    [
        (144.4, "loose"),
        (144.6, "under"),
        (169.9, "under"),
        (170.0, "in_spec"),
        (180.0, "in_spec"),
        (180.1, "over"),
        (206.9, "over"),
        (207.1, "tight"),
        (None, "unknown"),
    ],
)
def test_bands_begin_at_85_and_end_at_115_per_cent_of_the_range(
    compute: Compute, left: float | None, band: str
):
    table = compute(services=services(install(reading_left=left)))

    assert belt(table)["band"] == band


def test_no_range_is_never_guessed(compute: Compute):
    table = compute(specs=[USED_RANGE], services=services(install()))

    assert belt(table)["band"] == "unknown"
    reading = table("results.tension_readings").row(0, named=True)
    assert reading["verdict"] == "no_spec"
    assert reading["p_under"] is None
    assert reading["tension_n"] == pytest.approx(175 * LBF, rel=1e-12)


def test_of_several_ranges_the_preferred_source_is_taken(compute: Compute):
    other = {**NEW_RANGE, "tension_min": 150, "source": "bulletin 12"}
    rows = services(install())

    by_name = compute(specs=[NEW_RANGE, USED_RANGE, other], services=rows)
    first = by_name("results.tension_readings")["spec_min_n"].item()
    noted = set(by_name("results.data_notes")["code"])

    assert first == pytest.approx(150 * LBF, rel=1e-12)
    assert "ranges_disagree" in noted


def test_a_preferred_source_wins_over_the_first_by_name(compute: Compute):
    other = {**NEW_RANGE, "tension_min": 150, "source": "bulletin 12"}

    table = compute(
        settings='[belts]\npreferred_sources = ["fleet handbook p. 41"]\n',
        specs=[NEW_RANGE, USED_RANGE, other],
        services=services(install()),
    )

    spec_min_n = table("results.tension_readings")["spec_min_n"].item()
    assert spec_min_n == pytest.approx(170 * LBF, rel=1e-12)


def test_the_range_follows_the_belt_and_not_what_was_applied(compute: Compute):
    table = compute(services=services(install(spec_applied="used", reading_left=115)))

    reading = table("results.tension_readings").row(0, named=True)
    assert (reading["belt_state"], reading["verdict"]) == ("new", "under")
    assert "wrong_range" in set(table("results.data_notes")["code"])


def test_an_interval_runs_from_what_was_left_to_what_is_found(compute: Compute):
    table = compute(
        services=services(
            install(),
            {"action": "recheck", "reading_found": 140, "reading_left": 120},
            {"date": "2020-05-01", "odometer_mi": 20_000, "reading_found": 110},
            {"date": "2020-09-01", "odometer_mi": 30_000, "reading_found": 104},
        )
    )

    intervals = table("results.tension_intervals").sort("from_service_id")
    assert intervals.select("from_service_id", "to_service_id").rows() == [
        ("S1", "S2"),
        ("S2", "S3"),
        ("S3", "S4"),
    ]
    assert intervals["tension_from_n"].to_list() == pytest.approx(
        [175 * LBF, 120 * LBF, 110 * LBF]
    )
    assert intervals["run_in"].to_list() == [True, False, False]
    assert intervals["miles"].to_list() == [0, 10_000, 10_000]


def test_an_unread_adjustment_ends_the_tension_history(compute: Compute):
    table = compute(
        services=services(
            install(),
            {"action": "retension", "date": "2020-03-01", "odometer_mi": 15_000},
            {"date": "2020-05-01", "odometer_mi": 20_000, "reading_found": 110},
        )
    )

    assert table("results.tension_intervals").height == 0


def test_an_inspection_on_the_mile_of_an_install_is_of_the_old_belt(compute: Compute):
    table = compute(
        services=services(
            install(),
            install(
                service_id="A9",
                date="2021-01-01",
                odometer_mi=70_000,
                removal_reason="preventive",
            ),
            {
                "service_id": "Z9",
                "date": "2021-01-01",
                "odometer_mi": 70_000,
                "reading_found": 80,
            },
        )
    )

    visit = table("history.visits").filter(pl.col("service_id") == "Z9")
    belt_of_it = table("history.fittings").join(visit, on="belt_key")
    assert belt_of_it["belt_id"].item() == "V1/D1/1"


def test_records_after_as_of_are_kept_and_not_used(compute: Compute):
    table = compute(
        as_of=date(2020, 6, 30),
        services=services(
            install(),
            install(date="2021-01-01", odometer_mi=70_000, removal_reason="broken"),
        ),
    )

    assert belt(table)["end_kind"] == "censored"
    facts = dict(table("results.run_info").rows())
    assert facts["records_after_as_of"] == "1"
    assert facts["as_of"] == "2020-06-30"


def test_a_belt_of_unknown_age_is_known_from_its_first_days_first_mile(
    compute: Compute,
):
    """Heard later on that day, and gone a week on: both within its miles."""
    table = compute(
        services=services(
            {"odometer_mi": 10_000},
            {
                "date": "2020-01-08",
                "odometer_mi": 10_300,
                "action": "remove",
                "removal_reason": "worn",
            },
        ),
        complaints=[
            {
                "complaint_id": "C1",
                "date": "2020-01-01",
                "vehicle_id": "V1",
                "odometer_mi": 10_080,
                "noise": "squeal",
            }
        ],
    )

    vehicle = table("results.vehicle_results").row(0, named=True)
    assert (vehicle["miles"], vehicle["complaints"]) == (300, 1)


def test_a_belt_that_came_off_on_the_first_day_counts_though_more_was_done_then(
    compute: Compute,
):
    table = compute(
        services=services(
            install(removal_reason="broken"),
            {"action": "recheck", "odometer_mi": 10_001, "reading_found": 120},
        )
    )

    vehicle = table("results.vehicle_results").row(0, named=True)
    assert (vehicle["belts"], vehicle["failures"]) == (2, 1)
