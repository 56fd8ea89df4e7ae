"""Small fleets written by hand, as CSV folders, for tests of the whole way."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import polars as pl

Row = Mapping[str, Any]

VEHICLE: Row = {
    "vehicle_id": "V1",
    "model": "Corrie 3",
    "drive_id": "D1",
    "depot": "North yard",
    "in_service_date": "2015-01-01",
}
DRIVE: Row = {
    "drive_id": "D1",
    "ribs": 6,
    "alternator_pulley": "solid",
    "belt_mass_g_per_m": 108,
}
NEW_RANGE: Row = {
    "drive_id": "D1",
    "belt_state": "new",
    "tension_min": 170,
    "tension_max": 180,
    "unit": "lbf",
    "source": "fleet handbook p. 41",
}
USED_RANGE: Row = {
    **NEW_RANGE,
    "belt_state": "used",
    "tension_min": 95,
    "tension_max": 135,
}
SERVICE: Row = {
    "date": "2020-01-01",
    "vehicle_id": "V1",
    "odometer_mi": 10_000,
    "action": "inspect",
    "shop": "North shop",
    "technician_id": "T-01",
    "gauge_id": "G-01",
    "span_in": 9,
    "reading_unit": "lbf",
}


def services(*rows: Row) -> list[Row]:
    """Return service records with what they leave open filled in, numbered S1, S2, …"""
    return [
        {**SERVICE, "service_id": f"S{number}", **row}
        for number, row in enumerate(rows, start=1)
    ]


def write_fleet(folder: Path, **tables: Sequence[Row]) -> Path:
    """Write a folder of CSV files; vehicles, drives and specs have defaults."""
    filled: dict[str, Sequence[Row]] = {
        "vehicles": [VEHICLE],
        "drives": [DRIVE],
        "specs": [NEW_RANGE, USED_RANGE],
        "services": services({}),
        **tables,
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in filled.items():
        frame = pl.DataFrame(list(rows), infer_schema_length=None, strict=False)
        frame.write_csv(folder / f"{name}.csv")
    return folder


def copied(
    folder: Path,
    into: Path,
    change: Callable[[str, pl.DataFrame], dict[str, pl.DataFrame]],
) -> Path:
    """Copy the CSV files of a fleet, each table as changed, into a new folder."""
    into.mkdir(parents=True)
    for file in sorted(folder.glob("*.csv")):
        rows = pl.read_csv(file, infer_schema_length=None)
        for name, table in change(file.stem, rows).items():
            table.write_csv(into / f"{name}.csv")
    return into
