"""Readings: what they become, which are set aside, and how sure they are."""

import pytest

from tests.conftest import Compute
from tests.fleets import Row, services


def test_a_vibration_reading_becomes_a_tension_by_the_mass_of_the_belt(
    compute: Compute,
):
    """T = 4 m L^2 f^2: 0.108 kg/m, 200 mm, 180 Hz is 559.872 N (Mersenne's law)."""
    reading = {"reading_unit": "Hz", "span_mm": 200, "span_in": None}
    table = compute(services=services({**reading, "reading_found": 180}))

    found = table("results.tension_readings").row(0, named=True)
    assert found["tension_n"] == pytest.approx(559.872, rel=1e-9)
    assert found["tension_u_n"] / found["tension_n"] == pytest.approx(
        0.041231, abs=5e-7
    )
    assert (found["correction"], found["correction_source"]) == (1, "none")


def test_a_vibration_reading_without_a_mass_has_no_tension(compute: Compute):
    drive = {"drive_id": "D1", "ribs": 6, "alternator_pulley": "solid"}
    table = compute(
        drives=[drive],
        services=services({"reading_unit": "Hz", "reading_found": 180}),
    )

    found = table("results.tension_readings").row(0, named=True)
    assert (found["tension_n"], found["verdict"]) == (None, None)
    assert "no_tension" in set(table("results.data_notes")["code"])


def test_the_mean_of_four_readings_is_twice_as_sure(compute: Compute):
    calibrations = [
        {
            "gauge_id": "G-01",
            "date": "2019-12-01",
            "span_in": 9,
            "reference": 100,
            "reading": 100 + step,
            "unit": "lbf",
        }
        for step in (-0.001, 0.001)
    ]
    rows = services(
        {"reading_found": 110}, {"reading_found": 110, "readings_averaged": 4}
    )
    table = compute(calibrations=calibrations, services=rows)

    one, four = table("results.tension_readings").sort("service_id")["tension_u_n"]
    assert one / four == pytest.approx(2, rel=1e-3)


def read_in_turn(*found: float) -> list[Row]:
    visits = enumerate(found, start=1)
    return services(
        *(
            {
                "date": f"2020-{month:02}-01",
                "odometer_mi": 10_000 + 5_000 * month,
                "reading_found": reading,
            }
            for month, reading in visits
        )
    )


@pytest.mark.parametrize("slip", [525, 1_160, 26.5, 12.0, 1.2])
def test_a_slip_of_the_unit_is_shown_and_not_used(compute: Compute, slip: float):
    table = compute(services=read_in_turn(118, slip, 115))

    readings = table("results.tension_readings").sort("service_id")
    assert readings.height == 3
    assert readings["verdict"][1] in {"doubtful_low", "doubtful_high"}
    assert ("S2", "reading_out_of_line") in table("results.data_notes").select(
        "key", "code"
    ).rows()
    used = table("results.tension_intervals").select("from_service_id").rows()
    assert used == [("S1",)]


@pytest.mark.parametrize("found", [40, 60, 80, 200])
def test_a_belt_that_really_is_loose_or_tight_is_used(compute: Compute, found: float):
    table = compute(services=read_in_turn(118, found, 115))

    assert "reading_out_of_line" not in set(table("results.data_notes")["code"])
    assert table("results.tension_intervals").height == 2
