"""A small shop: four gauges, four drives, five vehicles, taken the whole way once."""

from pathlib import Path
from typing import Any

import pytest

from fleetbelt.bench.records import Records, opened, read_records
from tests.conftest import computed
from tests.fleets import DRIVE, NEW_RANGE, USED_RANGE, VEHICLE, services, write_fleet

HOSTILE = '<script>alert("x")</script>' + "M" * 300


def _gauge(gauge_id, unit, method="finger", resolution=0.5, shop="North shop"):
    return {
        "gauge_id": gauge_id,
        "method": method,
        "resolution": resolution,
        "unit": unit,
        "shop": shop,
    }


def _read(gauge_id, span_in, reference, readings, unit="lbf"):
    return [
        {
            "gauge_id": gauge_id,
            "date": "2019-05-02",
            "span_in": span_in,
            "reference": reference,
            "reading": reading,
            "unit": unit,
            "run": run,
        }
        for run, reading in enumerate(readings, start=1)
    ]


def _pulleys(drive_id, *rows):
    names = ("accessory", "x_mm", "y_mm", "diameter_mm", "side", "gauge_access")
    return [
        {"drive_id": drive_id, "position": k, **dict(zip(names, row, strict=True))}
        for k, row in enumerate(rows, start=1)
    ]


# Spans 300, 500 and 400 mm: three equal pulleys on a 3-4-5 triangle.
TRIANGLE = _pulleys(
    "D1",
    ("crankshaft", 0, 0, 100, "ribbed", "yes"),
    ("alternator", 300, 0, 100, "ribbed", "no"),
    ("water_pump", 0, 400, 100, "ribbed", "yes"),
)
# Nine pulleys round a ring, none of them with a short name.
RING = _pulleys(
    "D9",
    *(
        (name, x, y, 80, "ribbed", "yes")
        for name, x, y in zip(
            [*(f"{HOSTILE[:40]}{n}" for n in range(8)), "a & b"],
            [300, 230, 52, -150, -282, -282, -150, 52, 230],
            [0, 193, 295, 260, 103, -103, -260, -295, -193],
            strict=True,
        )
    ),
)
TABLES: dict[str, list[Any]] = {
    "vehicles": [
        VEHICLE,
        {**VEHICLE, "vehicle_id": "V2", "drive_id": "D2"},
        {**VEHICLE, "vehicle_id": "V3", "drive_id": "D3"},
        {**VEHICLE, "vehicle_id": f"V9{HOSTILE}", "drive_id": "D9", "depot": HOSTILE},
    ],
    "drives": [
        {**DRIVE, "description": "three layout"},
        {"drive_id": "D2", "ribs": 5, "alternator_pulley": "one_way"},
        {"drive_id": "D3", "ribs": 4, "alternator_pulley": "solid"},
        {**DRIVE, "drive_id": "D9", "description": HOSTILE},
    ],
    "specs": [
        NEW_RANGE,
        USED_RANGE,
        {**NEW_RANGE, "drive_id": "D2"},
        {**USED_RANGE, "drive_id": "D2"},
        {**NEW_RANGE, "drive_id": "D9", "source": HOSTILE},
        {**USED_RANGE, "drive_id": "D9", "source": HOSTILE},
        {**NEW_RANGE, "drive_id": "D9", "tension_min": 150, "source": "ZZ"},
    ],
    "gauges": [
        _gauge("A", "lbf"),
        _gauge("B", "N", resolution=2),
        _gauge("K", "kgf", resolution=0.2, shop="South shop"),
        _gauge("never", "lbf"),
        _gauge("hertz", "Hz", method="vibration"),
        _gauge(HOSTILE, "N"),
    ],
    "calibrations": [
        *_read("A", 7, 185, [167.5]),
        *_read("A", 12, 185, [182]),
        *_read("B", 6, 400, [380, 384, 377, 381], "N"),
        *_read("B", 12, 800, [790, 797, 786, 789], "N"),
        *_read("B", 20, 600, [597, 601, 594, 598], "N"),
        *_read("K", 8, 50, [51.2, 50.8, 51.0], "kgf"),
        *_read("K", 15, 50, [50.2, 50.6, 50.4], "kgf"),
    ],
    "pulleys": [*TRIANGLE, *RING],
    "services": services(
        {"action": "retension", "gauge_id": "A", "reading_found": 100},
        {
            "date": "2020-03-01",
            "odometer_mi": 13_000,
            "gauge_id": "B",
            "reading_found": 520,
            "reading_unit": "N",
            "readings_averaged": 3,
        },
        {
            "date": "2020-05-01",
            "odometer_mi": 15_000,
            "gauge_id": "hertz",
            "reading_found": 130,
            "reading_unit": "Hz",
        },
        {
            "date": "2020-06-01",
            "odometer_mi": 16_000,
            "gauge_id": "never",
            "reading_found": 90,
        },
        {
            "date": "2020-07-01",
            "vehicle_id": "V2",
            "drive_id": "D1",
            "gauge_id": "A",
            "reading_found": 120,
        },
    ),
}


@pytest.fixture(scope="session")
def folder(tmp_path_factory) -> Path:
    """The shop's records as CSV files."""
    return write_fleet(tmp_path_factory.mktemp("bench") / "records", **TABLES)


@pytest.fixture(scope="session")
def database(folder) -> Path:
    """The shop's records, run."""
    path: Path = folder.parent / "fleet.duckdb"
    computed(folder, path)
    return path


@pytest.fixture(scope="session")
def records(database) -> Records:
    """What the bench knows of the shop."""
    with opened(database, None) as connection:
        return read_records(connection)
