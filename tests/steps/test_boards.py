"""The gauges' board, on small fleets written by hand."""

import datetime as dt

import pytest

from tests.conftest import Compute, Table
from tests.fleets import services

ROUND = {"gauge_id": "G-01", "unit": "lbf", "technician_id": "T-09"}
GAUGE = {"gauge_id": "G-01", "method": "push", "unit": "lbf", "shop": "North shop"}


def loads(day: str, spans_in: tuple[float, ...] = (7, 12), ratio: float = 1.0):
    return [
        {**ROUND, "date": day, "span_in": span, "reference": load,
         "reading": load * ratio * off, "run": run}
        for span in spans_in
        for load in (100, 150)
        for run, off in ((1, 1.002), (2, 0.998))
    ]  # fmt: skip


def read(n: int, **row: object):
    """n readings of one belt, a week apart."""
    start = dt.date(2020, 1, 6)
    return services(
        *(
            {
                "date": str(start + dt.timedelta(weeks=k)),
                "odometer_mi": 10_000 + 300 * k,
                "reading_found": 110,
                **row,
            }
            for k in range(n)
        )
    )


def board(table: Table) -> dict[str, dict[str, object]]:
    rows = table("results.gauge_board").rows(named=True)
    return {row["gauge_id"]: row for row in rows}


def test_a_span_used_often_without_a_calibration_is_wanted(compute: Compute):
    table = compute(
        services=read(12, span_in=20),
        gauges=[GAUGE],
        calibrations=loads("2019-12-01"),
    )
    row = board(table)["G-01"]

    assert row["needs"] == "span"
    assert (row["wanted_span_mm"], row["wanted_readings"]) == (510.0, 12)
    assert (row["readings"], row["readings_since"], row["readings_beyond"]) == (
        12, 12, 12,
    )  # fmt: skip
    assert row["span_min_mm"] == pytest.approx(177.8)
    assert row["calibrations"] == 1
    assert row["next_calibration"] == dt.date(2020, 11, 30)


def test_a_calibration_is_due_by_the_settings_days(compute: Compute):
    table = compute(
        services=read(4),
        gauges=[GAUGE],
        calibrations=loads("2019-12-01"),
        settings="[measurement]\ncalibration_days = 30\n",
    )
    row = board(table)["G-01"]

    assert row["needs"] == "calibration_due"
    assert row["next_calibration"] == dt.date(2019, 12, 31)


def test_a_gauge_that_drifts_is_due_sooner(compute: Compute):
    """2 % a hundred days: the next 2 % come a hundred days after the newest."""
    table = compute(
        services=read(2),
        gauges=[GAUGE],
        calibrations=[
            *loads("2019-06-01"),
            *loads("2019-09-09", ratio=1.0202),
            *loads("2019-12-18", ratio=1.0408),
        ],
    )
    row = board(table)["G-01"]

    assert row["change"] == "linear"
    assert row["change_pct"] == pytest.approx(4.08, abs=0.1)
    due = row["next_calibration"]
    assert isinstance(due, dt.date)
    assert abs((due - dt.date(2020, 3, 27)).days) <= 2


def test_never_calibrated_comes_first_and_hz_needs_none(compute: Compute):
    table = compute(
        services=[
            *read(3, gauge_id="G-77"),
            *({**row, "service_id": f"H{n}", "odometer_mi": 20_000 + n}
              for n, row in enumerate(read(2, gauge_id="G-05", reading_unit="Hz",
                                           date="2020-06-01"))),
        ],
        gauges=[{"gauge_id": "G-05", "method": "vibration", "unit": "Hz"}],
    )  # fmt: skip
    rows = board(table)

    assert rows["G-77"]["needs"] == "first_calibration"
    assert rows["G-77"]["wanted_readings"] == 3
    assert rows["G-77"]["next_calibration"] is None
    assert rows["G-05"]["needs"] == "nothing"
    assert rows["G-05"]["wanted_readings"] is None


def test_belts_set_while_the_gauge_was_off_are_doubtful(compute: Compute):
    """Found 8 % off in June: the belt set in March is, the one of December is not."""
    set_so = {"action": "retension", "reading_left": 115}
    table = compute(
        services=services(
            {**set_so, "date": "2019-12-10"},
            {**set_so, "date": "2020-03-10", "vehicle_id": "V2"},
        ),
        vehicles=[
            {"vehicle_id": one, "model": "Corrie 3", "drive_id": "D1", "depot": "N"}
            for one in ("V1", "V2")
        ],
        gauges=[GAUGE],
        calibrations=[*loads("2020-01-01"), *loads("2020-06-01", ratio=1.08)],
        complaints=[],
        odometers=[{"vehicle_id": "V1", "date": "2020-07-01", "odometer_mi": 11_000}],
    )
    row = board(table)["G-01"]

    assert (row["belts_set"], row["belts_doubtful"]) == (2, 1)


def test_without_any_gauge_the_board_is_empty(compute: Compute):
    table = compute(services=services({"gauge_id": None, "reading_found": 110}))

    assert table("results.gauge_board").is_empty()
